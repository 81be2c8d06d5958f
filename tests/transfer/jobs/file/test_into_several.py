"""`file` with several archives: one read of the drive, each proven and acknowledged by itself."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from manifests.bags.acknowledgement_keys import Signed, signed
from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.nights import EVENING_NS, Computer, assert_valid, noise
from transfer.archive.keys import KEYS_NAME
from transfer.archive.mark import MARK_NAME, parse_mark
from transfer.config import Archive
from transfer.engine.drive_key import KEY_NAME
from transfer.engine.records import Records
from transfer.errors import ExitCode


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    return tmp_path / "attic"


@pytest.fixture
def two(tmp_path: Path, attic: Path) -> Desk:
    return Desk(tmp_path / "two", others={"attic": attic})


@pytest.fixture
def night(computer: Computer, stick: Path) -> Path:
    computer.small_night()
    computer.send(stick)
    return stick


def files_of(archive: Path) -> dict[str, bytes]:
    """Return every payload file below an archive."""
    found = (path for path in sorted(archive.rglob("*")) if path.is_file() and "data" in path.parts)
    return {path.relative_to(archive).as_posix(): path.read_bytes() for path in found}


def acknowledged_by(stick: Path, night: str = "2026-03-14") -> set[str]:
    found = (stick / night / "nightferry").glob("acknowledgement-*.json")
    return {json.loads(each.read_bytes())["archive"]["name"] for each in found}


def all_signed(stick: Path, computer: Computer) -> bool:
    """Return whether two acknowledgements lie on the stick, each signed with the imaging computer's key."""
    key = Records(computer.records).key()
    found = list((stick / "2026-03-14/nightferry").glob("acknowledgement-*.json"))
    return len(found) == 2 and all(signed(each.read_bytes(), key) is Signed.VALID for each in found)


def mark_id(archive: Path) -> str:
    mark = parse_mark((archive / MARK_NAME).read_bytes())
    assert mark is not None
    return mark.id


def test_both_archives_get_the_night_and_acknowledge_it(two: Desk, attic: Path, night: Path):
    outcome = two.file(night)
    assert outcome.exit_code == ExitCode.PROVEN
    assert [(each.name, each.filed, each.refused) for each in outcome.archives] == [
        ("house", 5, 0),
        ("attic", 5, 0),
    ]
    assert files_of(two.archive) == files_of(attic) != {}
    assert acknowledged_by(night) == {"house", "attic"}
    assert_valid(night / "2026-03-14")
    two.assert_all_valid()
    for bag in attic.rglob("bagit.txt"):
        assert_valid(bag.parent)
    again = two.file(night)
    assert [(each.filed, each.already_there) for each in again.archives] == [(0, 5), (0, 5)]


def test_every_archive_has_the_computer_s_key_before_it_leaves_the_drive(
    computer: Computer, two: Desk, attic: Path, night: Path
):
    two.file(night)
    assert not (night / KEY_NAME).exists()
    assert (two.archive / KEYS_NAME).read_bytes() == (attic / KEYS_NAME).read_bytes()
    assert all_signed(night, computer)


def test_an_archive_that_is_away_is_told_and_is_no_fault(two: Desk, attic: Path, night: Path):
    shutil.rmtree(attic)
    outcome = two.file(night)
    assert outcome.exit_code == ExitCode.PROVEN
    assert outcome.filed == 5
    assert "attic: not here" in outcome.message
    assert "--from-archive house --archive attic" in outcome.next_step
    assert acknowledged_by(night) == {"house"}
    assert not attic.exists()


def test_a_share_that_is_not_mounted_gets_no_archive_beneath_it(two: Desk, attic: Path, night: Path):
    two.file(night)
    shutil.rmtree(attic)
    attic.mkdir()
    assert "attic: not here" in two.file(night).message
    assert list(attic.iterdir()) == []
    refused = two.file(night, new_archive=True)
    assert refused.exit_code == ExitCode.WRONG_USE
    assert list(attic.iterdir()) == []


def test_a_mark_that_is_damaged_stops_its_own_archive_alone(two: Desk, attic: Path, night: Path):
    two.file(night)
    (attic / MARK_NAME).write_bytes(b"what is this?")
    outcome = two.file(night)
    assert outcome.already_there == 5
    assert "attic: nothing was filed into it" in outcome.message
    assert outcome.exit_code == ExitCode.NOT_THERE, "it is here, and damaged"


def test_only_the_archive_that_is_named_is_filed_into(two: Desk, attic: Path, night: Path):
    outcome = two.file(night, into=(Archive(attic, "attic"),))
    assert [each.name for each in outcome.archives] == ["attic"]
    assert files_of(two.archive) == {}
    assert acknowledged_by(night) == {"attic"}


def test_two_names_for_one_archive_are_not_two_copies(two: Desk, attic: Path, night: Path):
    two.file(night)
    shutil.rmtree(attic)
    shutil.copytree(two.archive, attic)
    outcome = two.file(night)
    assert outcome.exit_code == ExitCode.WRONG_USE
    assert "copied from it with its mark" in outcome.message
    assert [each.name for each in outcome.archives] == ["house"]


# Catching up from another archive


def test_an_archive_that_was_away_catches_up_and_no_file_comes_twice(
    computer: Computer, two: Desk, attic: Path, night: Path
):
    attic.rmdir()
    (computer.frames / "picture.cr2").write_bytes(b"II*\0" + noise(100, 7))
    os.utime(computer.frames / "picture.cr2", ns=(EVENING_NS, EVENING_NS))
    computer.send(night)
    two.file(night)
    attic.mkdir()
    house = Archive(two.archive, "house")
    outcome = two.file(from_archive=house)
    assert outcome.exit_code == ExitCode.PROVEN, outcome.message
    assert [(each.name, each.filed) for each in outcome.archives] == [("attic", 6)]
    assert any("/images/" in path for path in files_of(attic))
    assert files_of(two.archive) == files_of(attic) != {}
    for bag in attic.rglob("bagit.txt"):
        assert_valid(bag.parent)
    assert mark_id(attic) != mark_id(two.archive)
    again = two.file(from_archive=house)
    assert [(each.filed, each.already_there) for each in again.archives] == [(0, 6)]
    drive = two.file(night)
    assert [(each.filed, each.already_there) for each in drive.archives] == [(0, 6), (0, 6)]
    assert all_signed(night, computer), "the keys came along"


def test_what_the_other_archive_has_elsewhere_is_not_filed_again(
    computer: Computer, two: Desk, attic: Path, night: Path
):
    """The attic knows the target by another name: the same content counts wherever it lies."""
    two.file(night)
    lights = next(attic.glob("M 51"))
    lights.rename(attic / "Whirlpool")
    outcome = two.file(from_archive=Archive(two.archive, "house"))
    assert [(each.filed, each.already_there) for each in outcome.archives] == [(0, 5)]


def test_a_file_that_does_not_hold_there_is_not_filed(two: Desk, attic: Path, night: Path):
    attic.rmdir()
    two.file(night)
    attic.mkdir()
    light = next((two.archive / "M 51/data").rglob("*.fits"))
    content = bytearray(light.read_bytes())
    content[-1] ^= 1
    light.write_bytes(content)
    outcome = two.file(from_archive=Archive(two.archive, "house"))
    assert outcome.exit_code == ExitCode.SOMETHING_UNPROVEN
    assert [(each.filed, each.refused) for each in outcome.archives] == [(4, 1)]
    assert FindingKind.CHANGED in {finding.kind for finding in outcome.all_findings()}
    assert light.relative_to(two.archive).as_posix() not in files_of(attic)


def test_what_a_person_has_said_comes_along_and_proofs_do_not(two: Desk, attic: Path, night: Path):
    attic.rmdir()
    two.file(night)
    assert two.command("mark", "2026-03-14", "poor", "--because", "dew").exit == 0
    attic.mkdir()
    two.file(from_archive=Archive(two.archive, "house"))
    said = "nights/2026-03-14/nightferry/said-verdict.jsonl"
    assert (attic / said).read_bytes() == (two.archive / said).read_bytes()
    assert_valid(attic / "nights/2026-03-14")
    two.file(from_archive=Archive(two.archive, "house"))
    assert (attic / said).read_bytes().count(b"\n") == 1


@pytest.mark.parametrize("where", ["house", "attic"])
def test_what_was_said_is_brought_neither_into_nor_from_a_damaged_file(
    two: Desk, attic: Path, night: Path, where: str
):
    two.file(night)
    said = "nights/2026-03-14/nightferry/said-verdict.jsonl"
    for verdict in ("poor", "good"):
        assert two.command("mark", "2026-03-14", verdict).exit == 0
    two.file(from_archive=Archive(two.archive, "house"))
    assert two.command("mark", "2026-03-14", "poor").exit == 0
    damaged = (two.archive if where == "house" else attic) / said
    damaged.write_bytes(b"?" + damaged.read_bytes()[1:])
    before = {path: path.read_bytes() for path in attic.rglob("nightferry/*.jsonl")}
    outcome = two.file(from_archive=Archive(two.archive, "house"))
    assert {path: path.read_bytes() for path in attic.rglob("nightferry/*.jsonl")} == before
    (told,) = [found for found in outcome.all_findings() if "was said" in found.detail]
    assert (told.kind, outcome.exit_code) == (FindingKind.UNREADABLE, ExitCode.SOMETHING_UNPROVEN)
    assert "nightferry heal" in told.detail


def test_an_archive_is_filed_from_only_where_there_is_one(two: Desk, tmp_path: Path):
    nowhere = two.file(from_archive=Archive(tmp_path / "nowhere"))
    assert nowhere.exit_code == ExitCode.NOT_THERE
    (tmp_path / "plain").mkdir()
    assert two.file(from_archive=Archive(tmp_path / "plain")).exit_code == ExitCode.NOT_THERE
    alone = two.file(from_archive=Archive(two.archive), into=(Archive(two.archive),))
    assert alone.exit_code == ExitCode.WRONG_USE


def test_the_command_names_archives_as_the_configuration_does(two: Desk, attic: Path, night: Path):
    assert two.command("file", night, "--archive", "house").exit == 0
    assert files_of(attic) == {}
    caught_up = two.command("file", "--from-archive", "house", "--archive", "attic", "--json")
    assert caught_up.exit == 0
    told = json.loads(caught_up.out)
    assert [(each["name"], each["filed"]) for each in told["archives"]] == [("attic", 5)]
    assert two.command("file", night, "--from-archive", "house").exit == ExitCode.WRONG_USE
    assert two.command("file", night, "--archive", "atic").exit == ExitCode.NOT_THERE


def test_a_log_that_grew_replaces_its_beginning_in_every_archive(
    computer: Computer, two: Desk, attic: Path, night: Path
):
    two.file(night)
    computer.append(computer.logs / "mount.log", noise(50, 3))
    computer.send(night)
    outcome = two.file(night)
    assert [each.filed for each in outcome.archives] == [1, 1]
    assert files_of(two.archive) == files_of(attic)
