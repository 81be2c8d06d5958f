"""`heal`: a damaged file comes back from a copy that holds, what was left of it is kept, its bag holds."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from manifests.bags.healings import healings
from manifests.bags.kept_proofs import known_damage
from manifests.bags.statements import Statement, read_statements
from tests.support.desks import NOON, Desk
from tests.support.dying import died
from tests.support.faulty_drive import faulty
from tests.support.nights import Computer, assert_valid, noise, prepared
from tests.support.systems import need_fork
from tests.support.volumes import need
from transfer.archive.bags import ArchiveBag
from transfer.archive.held import held_archive
from transfer.archive.layout import owner_of_night
from transfer.archive.statements import add_statement
from transfer.config import Archive
from transfer.engine.bag.tag_files import wrong_tag_files
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode, NightferryError, NotThere
from transfer.events import BytesDone, Phase, PhaseBegan
from transfer.jobs.check.run import Asked, checked
from transfer.jobs.heal.outcome import HealOutcome
from transfer.jobs.heal.run import HealRequest, heal
from transfer.stop import Stop

HA = "data/2026-03-14/Ha"
Heal = Callable[..., HealOutcome]


@pytest.fixture
def night(tmp_path: Path, computer: Computer) -> Path:
    """Return a drive with three lights, a dark and a log."""
    for number in (1, 2, 3):
        computer.frame(f"light_{number}.fits", data=noise(900, number))
    computer.frame("dark.fits", kind="Dark", data=noise(900, 9))
    computer.log("mount.log")
    stick = prepared(tmp_path / "a stick", "Larch stick")
    computer.send(stick)
    return stick


@pytest.fixture
def desk(tmp_path: Path, night: Path) -> Desk:
    """Return a desk with the night in two archives, "house" and "attic"."""
    desk = Desk(tmp_path / "desk", others={"attic": tmp_path / "attic"})
    assert desk.file(night).exit_code == 0
    return desk


@pytest.fixture
def house(desk: Desk) -> Path:
    return desk.archive


@pytest.fixture
def attic(desk: Desk) -> Path:
    return desk.others["attic"]


def around(desk: Desk) -> Surroundings:
    return Surroundings(this_computer(), Records(desk.root / "records"), Stop(), clock=lambda: NOON)


@pytest.fixture
def mend(desk: Desk) -> Heal:
    """Return a function that heals the house from the attic, or as it is told."""

    def run(archive: Path | None = None, donor: Path | None = None, bag: str = "", **more) -> HealOutcome:
        request = HealRequest(
            Archive(archive or desk.archive, "house"), Archive(donor or desk.others["attic"], "attic"), bag
        )
        return heal(request, replace(around(desk), **more))

    return run


def flip(file: Path) -> bytes:
    """Change one byte, size and time stay; return the content that the file has now."""
    facts = file.stat()
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    return bytes(content)


def find_damage(desk: Desk) -> None:
    checked((desk.archive,), Asked(), around(desk))


def told(bag: Path) -> list:
    return healings(read_statements(bag, "healed").statements)


def whole_bags(archive: Path) -> None:
    for found in archive.rglob("bagit.txt"):
        assert_valid(found.parent)
    assert not list(archive.rglob("*.part"))


def test_what_is_damaged_and_what_is_missing_come_back_and_the_bag_holds(
    desk: Desk, house: Path, attic: Path, mend: Heal
):
    changed, lost = house / "M 51" / HA / "light_1.fits", house / "M 51" / HA / "light_2.fits"
    harm = flip(changed)
    lost.unlink()
    find_damage(desk)
    outcome = mend()
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert "2 files written again from attic" in outcome.message
    assert changed.read_bytes() == (attic / "M 51" / HA / "light_1.fits").read_bytes()
    assert lost.read_bytes() == (attic / "M 51" / HA / "light_2.fits").read_bytes()
    assert changed.stat().st_mtime_ns == (attic / "M 51" / HA / "light_1.fits").stat().st_mtime_ns
    assert (house / "M 51/nightferry/set-aside/1 light_1.fits").read_bytes() == harm
    whole_bags(house)
    assert known_damage(read_statements(house / "M 51", "damaged").statements) == {}
    assert {(each.path, each.donor, each.set_aside, each.whole) for each in told(house / "M 51")} == {
        (f"{HA}/light_1.fits", "attic", "nightferry/set-aside/1 light_1.fits", True),
        (f"{HA}/light_2.fits", "attic", "", True),
    }
    again = mend()
    assert (again.exit_code, again.bags) == (ExitCode.PROVEN, ())


def test_progress_is_of_phases_that_began(desk: Desk, house: Path, mend: Heal):
    """A terminal's bar knows no bytes of a phase that was not announced."""
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    begun: dict[tuple[str, str], int] = {}

    def listen(event: object) -> None:
        if isinstance(event, PhaseBegan):
            begun[event.phase, event.what] = event.total_bytes
        if isinstance(event, BytesDone):
            begun[event.phase, event.what] -= event.size_bytes

    assert mend(listen=listen).exit_code == ExitCode.PROVEN
    assert begun[Phase.COPYING, "M 51"] == 0


def test_only_the_bag_with_the_damage_is_read(desk: Desk, house: Path, attic: Path, mend: Heal):
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    read: list[str] = []
    outcome = mend(listen=lambda event: read.append(getattr(event, "what", "")))
    assert [bag.path.name for bag in outcome.bags] == ["M 51"]
    assert set(read) == {"M 51"}


def test_damage_that_nobody_has_found_is_not_looked_for_but_in_the_bag_that_is_named(house: Path, mend: Heal):
    flip(house / "M 51" / HA / "light_1.fits")
    assert mend().bags == ()
    outcome = mend(bag="M 51")
    assert outcome.exit_code == ExitCode.PROVEN
    assert len(outcome.bags[0].healed) == 1
    whole_bags(house)


def test_other_damage_in_the_same_bag_is_found_and_healed_with_it(desk: Desk, house: Path, mend: Heal):
    (house / "M 51" / HA / "light_2.fits").unlink()
    flip(house / "M 51" / HA / "light_3.fits")
    outcome = mend()
    assert {each.path for each in outcome.bags[0].healed} == {f"{HA}/light_2.fits", f"{HA}/light_3.fits"}
    whole_bags(house)


def test_nothing_is_healed_from_a_copy_that_does_not_hold(desk: Desk, house: Path, attic: Path, mend: Heal):
    harm = flip(house / "M 51" / HA / "light_1.fits")
    flip(attic / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    before = (attic / "M 51" / HA / "light_1.fits").read_bytes()
    outcome = mend()
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert "does not hold, either" in outcome.bags[0].not_healed[0].why
    assert (house / "M 51" / HA / "light_1.fits").read_bytes() == harm
    assert (attic / "M 51" / HA / "light_1.fits").read_bytes() == before
    assert not list(house.rglob("*.part"))
    assert known_damage(read_statements(house / "M 51", "damaged").statements)


def test_a_copy_elsewhere_in_the_other_archive_serves_as_well(
    desk: Desk, house: Path, attic: Path, mend: Heal
):
    (attic / "M 51").rename(attic / "Whirlpool")
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    assert mend().exit_code == ExitCode.PROVEN
    whole_bags(house)


def test_a_drive_with_the_night_heals_as_well(desk: Desk, house: Path, night: Path, mend: Heal):
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    assert mend(donor=night).exit_code == ExitCode.PROVEN
    whole_bags(house)


def test_lists_that_are_damaged_are_written_again_from_the_entries(house: Path, mend: Heal):
    flip(house / "M 51/manifest-sha256.txt")
    outcome = mend(bag="M 51")
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert (outcome.bags[0].lists_written, outcome.bags[0].healed) == (True, ())
    whole_bags(house)


def test_a_damaged_tag_manifest_is_set_aside_where_all_other_lists_agree(house: Path, mend: Heal):
    tags = house / "M 51/tagmanifest-sha256.txt"
    text = tags.read_text()
    at = text.index("  nightferry/entries.jsonl") - 1
    tags.write_text(text[:at] + ("0" if text[at] != "0" else "1") + text[at + 1 :])
    outcome = mend()
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert outcome.bags[0].lists_written
    assert len(list((house / "M 51/nightferry/set-aside").iterdir())) == 1
    whole_bags(house)


@pytest.mark.parametrize(
    "name",
    [
        "bagit.txt",
        "bag-info.txt",
        "manifest-sha256.txt",
        "nightferry/payload-xxh128.txt",
        "nightferry/entries.jsonl",
        "nightferry/said-proven.jsonl",
    ],
)
def test_a_tag_file_that_is_damaged_or_gone_is_found_without_a_check_and_is_what_it_was(
    house: Path, mend: Heal, name: str
):
    file, wanted = house / "M 51" / name, (house / "M 51" / name).read_bytes()
    label = (house / "M 51/bag-info.txt").read_text()
    for harm in (flip, Path.unlink):
        harm(file)
        outcome = mend()
        assert outcome.exit_code == ExitCode.PROVEN, outcome
        assert [bag.path.name for bag in outcome.bags] == ["M 51"]
        assert name.endswith("said-proven.jsonl") or file.read_bytes() == wanted
        assert (house / "M 51/bag-info.txt").read_text() == label
    whole_bags(house)
    assert not mend().bags


def test_entries_come_back_line_by_line_where_the_other_archive_has_others_as_well(
    house: Path, attic: Path, mend: Heal
):
    mine, theirs = (each / "M 51/nightferry/entries.jsonl" for each in (house, attic))
    wanted = mine.read_bytes()
    lines = theirs.read_bytes().splitlines(keepends=True)
    theirs.write_bytes(b"".join([lines[0], lines[1].replace(b"light_2", b"other"), lines[2]]))
    mine.write_bytes(wanted.replace(b'"exposure_s":600.0', b'"exposure_s":900.0', 1))
    outcome = mend()
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert mine.read_bytes() == wanted
    assert outcome.bags[0].tag_files == ("nightferry/entries.jsonl",)
    whole_bags(house)


def test_entries_that_no_copy_has_are_not_healed_and_it_is_said_what_to_do(
    house: Path, attic: Path, mend: Heal
):
    flip(attic / "M 51/nightferry/entries.jsonl")
    harm = flip(house / "M 51/nightferry/entries.jsonl")
    outcome = mend()
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert "set its folder aside" in outcome.bags[0].not_healed[0].why
    assert (house / "M 51/nightferry/entries.jsonl").read_bytes() == harm
    assert not (house / "M 51/nightferry/set-aside").exists()


def test_a_tag_manifest_that_names_other_places_leads_nowhere(desk: Desk, house: Path, mend: Heal):
    tags = house / "M 51/tagmanifest-sha256.txt"
    tags.write_bytes(tags.read_bytes() + b"0" * 64 + b"  ../../nightferry.toml\n" + b"\xff\xfe\n")
    with held_archive(house, around(desk), wait_s=1.0) as archive:
        assert wrong_tag_files(ArchiveBag(archive.folder, "M 51")) == []
    assert mend(bag="M 51").bags


# What was said


def say(archive: Path, desk: Desk, hour: int, words: str) -> None:
    """Say something of the night's bag, at an hour of the day after it."""
    statement = Statement("verdict", NOON.replace(hour=hour), {"verdict": "poor", "because": words})
    with held_archive(archive, around(desk), wait_s=1.0) as opened:
        add_statement(opened, owner_of_night(NOON.date() - timedelta(1)), statement)


SAID = "nights/2026-03-14/nightferry/said-verdict.jsonl"


def test_what_was_said_comes_back_from_a_copy_that_has_it(desk: Desk, house: Path, attic: Path, mend: Heal):
    for archive in (house, attic):
        say(archive, desk, 9, "dew on the front lens")
    say(house, desk, 10, "and wind")
    wanted = (house / SAID).read_bytes()
    (house / SAID).write_bytes(b"?" + wanted[1:])
    outcome = mend()
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert (house / SAID).read_bytes() == wanted
    whole_bags(house)


def test_what_was_said_here_alone_is_kept_as_far_as_it_can_be_read_and_that_is_told(
    desk: Desk, house: Path, attic: Path, mend: Heal
):
    say(attic, desk, 8, "from the other archive")
    for hour, words in ((9, "dew"), (10, "wind"), (11, "cloud")):
        say(house, desk, hour, words)
    harm = (house / SAID).read_bytes().replace(b'"wind"', b'"wind\xff')
    (house / SAID).write_bytes(harm)
    outcome = mend()
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    (left,) = outcome.bags[0].not_healed
    assert "no copy confirms every line" in left.why
    said = read_statements(house / "nights/2026-03-14", "verdict").statements
    assert [each.facts["because"] for each in said] == ["from the other archive", "dew", "cloud"]
    assert (house / "nights/2026-03-14/nightferry/set-aside/1 said-verdict.jsonl").read_bytes() == harm
    whole_bags(house)
    assert not mend().bags


def test_what_a_damaged_copy_says_is_not_taken_over(desk: Desk, house: Path, attic: Path, mend: Heal):
    for archive in (house, attic):
        say(archive, desk, 9, "dew on the front lens")
    (attic / SAID).write_bytes((attic / SAID).read_bytes().replace(b"dew", b"sun"))
    (house / SAID).unlink()
    outcome = mend()
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert "no copy has it" in outcome.bags[0].not_healed[0].why
    assert not (house / SAID).exists()


def test_a_record_of_proofs_that_is_begun_anew_is_kept_as_it_was(desk: Desk, house: Path):
    harm = flip(house / "M 51/nightferry/said-proven.jsonl")
    find_damage(desk)
    assert (house / "M 51/nightferry/set-aside/1 said-proven.jsonl").read_bytes() == harm
    whole_bags(house)


@need_fork
@pytest.mark.parametrize("last", [2, 5, 7, 9, 12, 15, 18])
def test_a_run_that_dies_while_entries_and_words_are_written_again_is_gone_on_with(
    desk: Desk, house: Path, attic: Path, mend: Heal, last: int
):
    for archive in (house, attic):
        say(archive, desk, 9, "dew on the front lens")
    say(house, desk, 10, "and wind")
    broken = house / "nights/2026-03-14/nightferry/entries.jsonl"
    wanted, words = broken.read_bytes(), (house / SAID).read_bytes()
    flip(broken)
    harm = words.replace(b"and wind", b"and wi\xffd")
    (house / SAID).write_bytes(harm)
    died(lambda medium: mend(medium=medium), last)
    mend()
    assert not mend().bags
    assert broken.read_bytes() == wanted
    assert b"dew" in (house / SAID).read_bytes()
    kept = [each.read_bytes() for each in (house / "nights/2026-03-14/nightferry/set-aside").iterdir()]
    assert harm in kept
    whole_bags(house)


def test_an_archive_that_is_not_there_or_the_same_heals_nothing(house: Path, tmp_path: Path, mend: Heal):
    with pytest.raises(ConfigurationError):
        mend(donor=house)
    with pytest.raises(NotThere):
        mend(donor=tmp_path / "nowhere")
    (tmp_path / "empty").mkdir()
    with pytest.raises(NotThere):
        mend(donor=tmp_path / "empty")
    with pytest.raises(NotThere):
        mend(archive=tmp_path / "empty")


@need_fork
@pytest.mark.parametrize("last", [10, 28, 46, 64])
def test_a_run_that_dies_at_any_call_leaves_the_file_damaged_or_whole_and_the_next_one_ends_it(
    desk: Desk, house: Path, attic: Path, mend: Heal, last: int
):
    light = house / "M 51" / HA / "light_1.fits"
    harm = flip(light)
    whole = (attic / "M 51" / HA / "light_1.fits").read_bytes()
    find_damage(desk)
    died(lambda medium: mend(medium=medium), last)
    aside = house / "M 51/nightferry/set-aside/1 light_1.fits"
    left = [path.read_bytes() for path in (light, aside) if path.exists()]
    assert harm in left
    assert not light.exists() or light.read_bytes() in (harm, whole)
    outcome = mend()
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    assert light.read_bytes() == whole
    assert harm in [path.read_bytes() for path in (house / "M 51/nightferry/set-aside").iterdir()]
    whole_bags(house)
    assert told(house / "M 51")
    assert all(each.whole for each in told(house / "M 51"))


# Disks that make faults


def test_a_healed_disk_that_lies_is_told_and_the_damaged_file_stays(
    desk: Desk, house: Path, tmp_path: Path, mend: Heal
):
    need("ext4")
    harm = flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    with faulty(tmp_path / "faulty", r"read|heal-\d+\.part|1|9999|flip", behind=house) as disk:
        outcome = mend(archive=disk.path)
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert "does not give back what was written" in outcome.bags[0].not_healed[0].why
    assert (house / "M 51" / HA / "light_1.fits").read_bytes() == harm
    assert not list(house.rglob("*.part"))


def test_a_disk_that_lies_once_is_written_to_again(desk: Desk, house: Path, tmp_path: Path, mend: Heal):
    need("ext4")
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    with faulty(tmp_path / "faulty", r"write|heal-\d+\.part|1|1|flip", behind=house) as disk:
        outcome = mend(archive=disk.path)
        assert disk.faults == 1
    assert outcome.exit_code == ExitCode.PROVEN, outcome
    whole_bags(house)


@pytest.mark.parametrize("rule", [r"write|heal-\d+\.part|1|9999|ENOSPC", r"fsync|heal-\d+\.part|1|9999|EIO"])
def test_a_disk_that_is_full_or_fails_ends_the_run_with_nothing_moved(
    desk: Desk, house: Path, tmp_path: Path, mend: Heal, rule: str
):
    need("ext4")
    harm = flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    with faulty(tmp_path / "faulty", rule, behind=house) as disk, pytest.raises(NightferryError) as ended:
        mend(archive=disk.path)
    assert ended.value.next_step
    assert (house / "M 51" / HA / "light_1.fits").read_bytes() == harm
    assert mend().exit_code == ExitCode.PROVEN
    whole_bags(house)


# The command


def test_the_command_heals_what_check_has_named(desk: Desk, house: Path):
    flip(house / "M 51" / HA / "light_1.fits")
    ran = desk.command("check", "house")
    (command,) = [line.split("nightferry ")[1] for line in ran.out.splitlines() if "nightferry heal" in line]
    ran = desk.command(*command.split())
    assert ran.exit == 0, ran.err
    assert "written again: data/2026-03-14/Ha/light_1.fits" in ran.out
    assert desk.command("check", "house").exit == 0
    told = desk.command("heal", house / "M 51" / HA, "--from", "attic", "--json")
    assert told.document["bags"][0]["holds"] is True
    assert desk.command("heal", "house", "--from", "nowhere").exit == ExitCode.NOT_THERE


def test_an_archive_copied_by_hand_heals_the_first(desk: Desk, house: Path, tmp_path: Path, mend: Heal):
    shutil.copytree(house, tmp_path / "by hand")
    flip(house / "M 51" / HA / "light_1.fits")
    find_damage(desk)
    assert mend(donor=tmp_path / "by hand").exit_code == ExitCode.PROVEN
