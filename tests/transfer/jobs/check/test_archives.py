"""`check` of an archive: what was read and when is kept in its bags, and the longest unproven comes first."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from manifests.bags.kept_proofs import KeptProof, kept_proofs, known_damage
from manifests.bags.statements import read_statements
from manifests.findings import FindingKind
from tests.support.desks import NOON, Desk
from tests.support.nights import Computer, assert_valid, noise, prepared
from transfer.archive.mark import MARK_NAME
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode
from transfer.jobs.check.outcome import CheckOutcome
from transfer.jobs.check.run import Asked, checked
from transfer.stop import Stop

DAY_S = 86400.0
LIGHT = "M 51/data/2026-03-14/Ha/light_1.fits"


@pytest.fixture
def desk(tmp_path: Path, computer: Computer) -> Desk:
    """Return a desk whose archive has three lights, a dark and a log, filed at noon of 2026-03-15."""
    desk = Desk(tmp_path / "desk", others={"attic": tmp_path / "attic"})
    for number in (1, 2, 3):
        computer.frame(f"light_{number}.fits", data=noise(900, number))
    computer.frame("dark.fits", kind="Dark", data=noise(900, 9))
    computer.log("mount.log")
    stick = prepared(tmp_path / "a stick", "Larch stick")
    computer.send(stick)
    assert desk.file(stick).exit_code == 0
    return desk


@pytest.fixture
def check_on(desk: Desk) -> Callable[..., CheckOutcome]:
    """Return a function that checks the archive when so many days have gone by since it was filed."""

    def run(days: float = 0.0, *paths: Path, listen=lambda _: None, stop=None, **asked) -> CheckOutcome:
        now = datetime.now(UTC) if not days else NOON + timedelta(days=days)
        around = Surroundings(
            this_computer(), Records(desk.root / "records"), stop or Stop(), listen, lambda: now
        )
        return checked(paths or (desk.archive,), Asked(**asked), around)

    return run


def proofs(bag: Path) -> dict[str, KeptProof]:
    return kept_proofs(read_statements(bag, "proven").statements)


def damage(bag: Path) -> dict[str, str]:
    return known_damage(read_statements(bag, "damaged").statements)


def write_over(file: Path) -> None:
    """Change one byte; size and time stay."""
    facts = file.stat()
    content = bytearray(file.read_bytes())
    content[-1] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def test_what_was_read_and_when_is_added_to_the_bag_which_stays_valid(desk: Desk, check_on):
    bag = desk.archive / "M 51"
    before = (bag / "nightferry/said-proven.jsonl").read_bytes()
    began = datetime.now(UTC).replace(microsecond=0)
    outcome = check_on()
    assert outcome.exit_code == ExitCode.PROVEN
    assert (bag / "nightferry/said-proven.jsonl").read_bytes().startswith(before)
    assert all(proof.read_utc >= began for proof in proofs(bag).values())
    assert len(proofs(bag)) == 3
    desk.assert_all_valid()


def test_what_was_proven_when_survives_the_index(desk: Desk, check_on):
    check_on()
    (desk.archive / "index.sqlite").unlink()
    assert desk.command("index").exit == 0
    outcome = check_on(older_than_s=90 * DAY_S)
    assert (sum(bag.verification.verified for bag in outcome.bags), outcome.not_due) == (0, 5)


def test_a_drive_and_a_bag_of_no_archive_are_not_written_to(desk: Desk, check_on, tmp_path: Path):
    shutil.copytree(desk.archive / "M 51", tmp_path / "elsewhere/M 51")
    before = desk_print(tmp_path / "elsewhere")
    assert check_on(0, tmp_path / "elsewhere").exit_code == ExitCode.PROVEN
    assert desk_print(tmp_path / "elsewhere") == before
    with pytest.raises(ConfigurationError):
        check_on(0, tmp_path / "elsewhere", older_than_s=DAY_S)


def desk_print(folder: Path) -> dict[str, bytes]:
    return {path.as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_only_what_was_not_proven_lately_is_read(desk: Desk, check_on):
    kept = proofs(desk.archive / "M 51")
    assert check_on(days=30, older_than_s=90 * DAY_S).not_due == 5
    outcome = check_on(days=91, older_than_s=90 * DAY_S)
    assert (sum(bag.verification.verified for bag in outcome.bags), outcome.not_due) == (5, 0)
    assert "5 files in 3 bags" in outcome.message
    newer = proofs(desk.archive / "M 51")
    assert all(newer[path].read_utc > kept[path].read_utc for path in kept)


@pytest.mark.parametrize(
    "name",
    ["manifest-sha256.txt", "nightferry/payload-xxh128.txt", "bag-info.txt"],
)
def test_a_damaged_list_is_told_although_no_file_of_its_bag_is_due(desk: Desk, check_on, name: str):
    fine = check_on(days=30, older_than_s=90 * DAY_S)
    assert fine.exit_code is ExitCode.PROVEN
    assert fine.message.endswith("Proven lately enough, and not read: 5 files; their bags' lists were.")
    write_over(desk.archive / "M 51" / name)
    outcome = check_on(days=30, older_than_s=90 * DAY_S)
    (bag,) = outcome.bags
    assert (outcome.exit_code, bag.verification.path) == (ExitCode.SOMETHING_UNPROVEN, desk.archive / "M 51")
    assert name in [found.path for found in bag.verification.findings]
    assert bag.verification.verified == 0


def test_the_longest_unproven_comes_first_and_time_ends_it_in_order(desk: Desk, check_on, monkeypatch):
    """The dark was proven first: when time is over after one file, it is the one that was read."""
    calibration, lights = desk.archive / "calibration", desk.archive / "M 51"
    dated(lights, NOON - timedelta(days=200))
    dated(calibration, NOON - timedelta(days=300))
    dated(desk.archive / "nights/2026-03-14", NOON - timedelta(days=100))
    ticks = iter(range(10_000))
    monkeypatch.setattr("transfer.jobs.check.run.time.monotonic", lambda: float(next(ticks)))
    outcome = check_on(days=1, older_than_s=90 * DAY_S, time_s=3.5)
    assert outcome.exit_code == ExitCode.PROVEN
    read = [(bag.verification.path.name, bag.verification.verified) for bag in outcome.bags]
    assert read[0] == ("calibration", 1)
    assert outcome.still_due == 5 - sum(count for _, count in read) > 0
    assert f"left for the next run: {outcome.still_due} file" in outcome.message
    monkeypatch.undo()
    rest = check_on(days=1, older_than_s=90 * DAY_S)
    assert sum(bag.verification.verified for bag in rest.bags) == outcome.still_due
    assert rest.not_due == 5 - outcome.still_due


def dated(bag: Path, moment: datetime) -> None:
    """Make a bag say that all its files were last proven at a moment."""
    from transfer.archive.proofs import PATH
    from transfer.engine.bag.listed import ListedBag
    from transfer.engine.bag.tag_files import put_tag_file

    folder = this_computer().pin(bag.parent)
    lines = (bag / PATH).read_text().splitlines()
    facts = [json.loads(line) | {"said_utc": moment.isoformat()} for line in lines]
    content = "".join(f"{json.dumps(each)}\n" for each in facts).encode()
    put_tag_file(ListedBag(folder, bag.name), PATH, content)
    folder.close()


def test_what_was_found_damaged_is_kept_and_comes_first_the_next_time(desk: Desk, check_on):
    write_over(desk.archive / LIGHT)
    (desk.archive / "M 51/data/2026-03-14/Ha/light_2.fits").unlink()
    outcome = check_on()
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert damage(desk.archive / "M 51").keys() == {
        "data/2026-03-14/Ha/light_1.fits",
        "data/2026-03-14/Ha/light_2.fits",
    }
    again = check_on(older_than_s=90 * DAY_S)
    assert again.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert [bag.verification.path.name for bag in again.bags] == ["M 51"]
    assert again.not_due == 3


def test_a_frame_found_damaged_is_noted_in_lists_and_left_out_of_paths_until_it_holds(desk: Desk):
    light = desk.archive / LIGHT
    whole, facts = light.read_bytes(), light.stat()
    assert desk.command("frames", "--paths").exit == 0
    write_over(light)
    assert desk.command("check", "house").exit == ExitCode.SOMETHING_UNPROVEN
    ran = desk.command("frames", "--paths")
    assert (ran.exit, str(light) in ran.out) == (ExitCode.SOMETHING_UNPROVEN, False)
    assert "1 frame found damaged" in ran.err
    told = desk.command("frames", "--finding", "any", "--json").document
    assert [each["path"] for each in told["frames"]] == [str(light)]
    assert "found damaged" in desk.command("frames").out
    (desk.archive / "index.sqlite").unlink()
    assert "1 of them found damaged" in desk.command("frames", "--finding", "found damaged").out
    light.write_bytes(whole)
    os.utime(light, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert desk.command("check", "house").exit == 0
    assert desk.command("frames", "--finding", "any", "--json").document["frames"] == []
    assert str(light) in desk.command("frames", "--paths").out


@pytest.mark.parametrize("harm", ["removed", "removed with its folder", "cut short"])
def test_what_is_gone_or_cut_short_is_told_however_lately_it_was_proven(desk: Desk, check_on, harm: str):
    light = desk.archive / LIGHT
    if harm == "removed":
        light.unlink()
    elif harm == "cut short":
        os.truncate(light, 100)
    else:
        shutil.rmtree(light.parent)
    outcome = check_on(days=1, older_than_s=90 * DAY_S)
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert str(light) in {finding.path for finding in outcome.all_findings()}
    assert "data/2026-03-14/Ha/light_1.fits" in damage(desk.archive / "M 51")
    assert outcome.not_due == (2 if harm.endswith("folder") else 4)


def test_an_archive_with_the_same_damage_is_not_proposed_to_heal_from(desk: Desk):
    second = LIGHT.replace("_1", "_2")
    for root in (desk.archive, desk.others["attic"]):
        write_over(root / LIGHT)
    ran = desk.command("check", "house", "attic")
    assert ran.exit == ExitCode.SOMETHING_UNPROVEN
    assert "--from attic" not in ran.out
    assert "The other archives are harmed in the same files." in ran.out
    assert "nightferry heal house --from DRIVE" in ran.out
    write_over(desk.archive / second)
    assert "nightferry heal house --from attic" in desk.command("check", "house", "attic").out


def test_a_file_that_holds_again_is_damaged_no_more(desk: Desk, check_on):
    light = desk.archive / LIGHT
    whole, facts = light.read_bytes(), light.stat()
    write_over(light)
    check_on()
    light.write_bytes(whole)
    os.utime(light, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert check_on().exit_code == ExitCode.PROVEN
    assert damage(desk.archive / "M 51") == {}


def test_a_file_known_damaged_is_neither_called_there_nor_acknowledged(desk: Desk, check_on, tmp_path: Path):
    """Its size and time are those of its last proof: only what `check` kept tells."""
    write_over(desk.archive / LIGHT)
    content = (desk.archive / LIGHT).read_bytes()
    check_on()
    outcome = desk.file(tmp_path / "a stick", dry_run=True)
    assert (outcome.would_be_filed, outcome.already_there) == (1, 4)
    outcome = desk.file(tmp_path / "a stick")
    assert (outcome.exit_code, outcome.filed, outcome.already_there) == (ExitCode.PROVEN, 1, 4)
    assert (desk.archive / LIGHT).read_bytes() != content
    assert damage(desk.archive / "M 51") == {}
    assert_valid(desk.archive / "M 51")
    assert FindingKind.CHANGED in {finding.kind for finding in outcome.all_findings()}


def test_a_run_that_is_interrupted_keeps_what_it_read(desk: Desk, check_on):
    stop = Stop()

    def after_the_first(event: object) -> None:
        if "BytesDone" in type(event).__name__:
            stop.ask("interrupted")

    before = proofs(desk.archive / "M 51") | proofs(desk.archive / "calibration")
    outcome = check_on(stop=stop, listen=after_the_first)
    assert outcome.exit_code == ExitCode.STOPPED_EARLY
    read = sum(bag.verification.verified for bag in outcome.bags)
    assert 0 < read < 5
    after = proofs(desk.archive / "M 51") | proofs(desk.archive / "calibration")
    assert sum(after[path] != before[path] for path in before) == read


def test_the_command_names_an_archive_and_the_way_to_heal_it(desk: Desk):
    ran = desk.command("check", "house", "--older-than", "1d", "--for", "10m")
    assert ran.exit == 0, ran.err
    write_over(desk.archive / LIGHT)
    ran = desk.command("check", "house")
    assert ran.exit == ExitCode.SOMETHING_UNPROVEN
    assert "nightferry heal house --from attic" in ran.out
    both_archives = desk.command("check", "--older-than", "1d", "--json").document
    assert both_archives["not_due"] == 4, "what was read just now, but for the damaged file"
    assert {bag["path"] for bag in both_archives["bags"]} >= {
        str(desk.others["attic"] / name) for name in ("M 51", "calibration", "nights/2026-03-14")
    }
    assert desk.command("check", "house", "--older-than", "soon").exit == ExitCode.WRONG_USE
    assert desk.command("check", "house", "--quick", "--for", "1m").exit == ExitCode.WRONG_USE


def test_an_empty_mount_point_is_called_that(tmp_path: Path, desk: Desk):
    (tmp_path / "mount point").mkdir()
    ran = desk.command("check", tmp_path / "mount point")
    assert ran.exit == ExitCode.NOT_THERE
    assert "is an empty folder: is its drive connected and mounted?" in ran.out


def test_an_archive_that_cannot_be_written_to_is_checked_all_the_same(desk: Desk, check_on, monkeypatch):
    (desk.archive / MARK_NAME).unlink()
    outcome = check_on()
    assert outcome.exit_code == ExitCode.PROVEN
    assert outcome.message.startswith("5 files in 3 bags")
