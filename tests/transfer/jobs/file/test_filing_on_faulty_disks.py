"""Disks that make faults: a wrong copy is never listed, and what can be made good is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from manifests.bags.entries import Entry
from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.faulty_drive import faulty
from tests.support.nights import Computer, assert_valid, noise
from tests.support.volumes import need
from transfer.errors import ExitCode


@pytest.fixture(autouse=True)
def fuse() -> None:
    need("ext4")


@pytest.fixture
def night(computer: Computer, stick: Path) -> Path:
    """Return a drive with three lights and a log."""
    for number in (1, 2, 3):
        computer.frame(f"light_{number}.fits", data=noise(9000, number))
    computer.log("mount.log")
    computer.send(stick)
    return stick


def kinds(entry: Entry) -> list[FindingKind]:
    return [finding.kind for finding in entry.findings]


def at(tmp_path: Path, mounted: Path) -> Desk:
    return Desk(tmp_path / "desk at a faulty disk", archive_at=mounted / "archive")


def test_a_copy_that_is_not_what_was_written_is_written_again_from_the_drive(night: Path, tmp_path: Path):
    with faulty(tmp_path / "faulty", r"write|incoming/\d+\.part|1|1|flip") as disk:
        desk = at(tmp_path, disk.path)
        outcome = desk.file(night)
        assert disk.faults == 1
        assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 4)
        assert outcome.deliveries[0].acknowledged
        (told,) = [one for one in outcome.all_findings() if one.kind is FindingKind.WRITTEN_AGAIN]
        (kept,) = [
            entry for entry in map(desk.entry, desk.files()) if FindingKind.WRITTEN_AGAIN in kinds(entry)
        ]
        assert told.path.endswith(kept.original)
        size_bytes = (night / "2026-03-14/data/frames/light_3.fits").stat().st_size
        assert disk.bytes_read("light_3.fits") >= 2 * size_bytes  # one bad copy has all read once more
        desk.assert_all_valid()


def test_a_copy_that_stays_wrong_is_left_out_and_named_and_the_others_are_filed(night: Path, tmp_path: Path):
    with faulty(tmp_path / "faulty", r"read|light_2\.fits|1|9999|flip") as disk:
        desk = at(tmp_path, disk.path)
        outcome = desk.file(night)
        assert (outcome.exit_code, outcome.filed, outcome.refused) == (ExitCode.SOMETHING_UNPROVEN, 3, 1)
        (finding,) = [one for one in outcome.all_findings() if one.kind is FindingKind.NOT_FILED]
        assert finding.path.endswith("light_2.fits")
        assert not outcome.deliveries[0].acknowledged
        assert not list(desk.archive.rglob("light_2*"))
        desk.assert_all_valid()


def test_a_flush_that_fails_once_has_its_files_written_again(night: Path, tmp_path: Path):
    with faulty(tmp_path / "faulty", r"fsync|\d+\.part|1|1|EIO") as disk:
        desk = at(tmp_path, disk.path)
        outcome = desk.file(night)
        assert disk.faults == 1
        assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 4)
        desk.assert_all_valid()


@pytest.mark.parametrize(
    ("rule", "code"),
    [
        (r"write|\d+\.part|2|9999|ENOSPC", ExitCode.DOES_NOT_FIT),
        (r"write|\d+\.part|2|9999|EIO", ExitCode.SOMETHING_UNPROVEN),
        (r"rename|M 51/data|2|9999|EROFS", ExitCode.SOMETHING_UNPROVEN),
        (r"create||6|9999|EACCES", ExitCode.SOMETHING_UNPROVEN),
        (r"write|manifest|1|9999|ENOSPC", ExitCode.DOES_NOT_FIT),
    ],
)
def test_an_archive_that_fails_in_the_middle_loses_nothing_and_the_next_run_goes_on(
    night: Path, tmp_path: Path, rule: str, code: ExitCode
):
    with faulty(tmp_path / "faulty", rule) as disk:
        desk = at(tmp_path, disk.path)
        outcome = desk.file(night)
        assert outcome.exit_code is code
        assert outcome.next_step
        assert outcome.filed + outcome.refused == 4
        assert not outcome.deliveries[0].acknowledged
    whole = Desk(tmp_path / "desk at the same disk mended", archive_at=disk.behind / "archive")
    outcome = whole.file(night)
    assert (outcome.exit_code, outcome.refused) == (ExitCode.PROVEN, 0)
    assert len(whole.files()) == 4
    whole.assert_all_valid()


def test_a_drive_that_leaves_while_it_is_read_ends_the_run_and_what_was_read_is_filed(
    night: Path, tmp_path: Path, desk: Desk
):
    with faulty(tmp_path / "faulty", r"read|light_2\.fits|1|9999|ENODEV", behind=night) as drive:
        outcome = desk.file(drive.path)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert outcome.refused >= 1
        assert not outcome.deliveries[0].acknowledged
    desk.assert_all_valid()
    assert desk.file(night).exit_code is ExitCode.PROVEN
    assert len(desk.files()) == 4


def test_a_drive_whose_lists_cannot_be_read_is_named(night: Path, tmp_path: Path, desk: Desk):
    with faulty(tmp_path / "faulty", r"read|entries|1|9999|EIO", behind=night) as drive:
        outcome = desk.file(drive.path)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.SOMETHING_UNPROVEN, 0)
    assert outcome.message == "Nothing was filed: 1 place could not be looked at."
    (finding,) = outcome.all_findings()
    assert finding.path == str(drive.path / "2026-03-14")


def test_a_drive_that_ends_a_file_early_is_not_believed(night: Path, tmp_path: Path, desk: Desk):
    with faulty(tmp_path / "faulty", r"read|light_2\.fits|1|9999|short", behind=night) as drive:
        outcome = desk.file(drive.path)
    assert (outcome.exit_code, outcome.refused) == (ExitCode.SOMETHING_UNPROVEN, 1)
    assert not list(desk.archive.rglob("light_2*"))


def test_a_word_that_cannot_be_written_is_said_and_all_is_filed(night: Path, tmp_path: Path, desk: Desk):
    with faulty(tmp_path / "faulty", r"create|acknowledgement|1|9999|EIO", behind=night) as drive:
        outcome = desk.file(drive.path)
        assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 4)
        assert not outcome.deliveries[0].acknowledged
        assert FindingKind.NOT_ACKNOWLEDGED in [finding.kind for finding in outcome.all_findings()]
    assert desk.file(night).deliveries[0].acknowledged


def test_an_index_that_cannot_be_written_is_a_finding_and_all_is_filed(night: Path, tmp_path: Path):
    with faulty(tmp_path / "faulty", r"create|index\.sqlite|1|9999|EACCES") as disk:
        desk = at(tmp_path, disk.path)
        outcome = desk.file(night)
        assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 4)
        assert outcome.deliveries[0].acknowledged
        assert FindingKind.INDEX_BEHIND in [finding.kind for finding in outcome.all_findings()]
        again = desk.file(night)
        assert (again.exit_code, again.already_there) == (ExitCode.PROVEN, 4)


def test_a_log_that_could_not_take_its_older_parts_place_is_not_said_to_be_filed(
    computer: Computer, stick: Path, tmp_path: Path
):
    computer.log("mount.log", b"22:00 slewing\n")
    computer.send(stick)
    behind = tmp_path / "behind"
    (behind / "archive").mkdir(parents=True)
    Desk(tmp_path / "desk at the disk", archive_at=behind / "archive").file(stick)
    computer.append(computer.logs / "mount.log", b"23:00 parked\n")
    computer.send(stick)
    with faulty(tmp_path / "faulty", r"create|journal|1|9999|EIO", behind=behind) as disk:
        outcome = at(tmp_path, disk.path).file(stick)
        assert disk.faults
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (outcome.filed, outcome.already_there, outcome.refused) == (0, 0, 1)
    assert not outcome.deliveries[0].acknowledged


def test_a_changed_file_that_the_disk_does_not_keep_is_not_said_to_be_filed_anew(night: Path, tmp_path: Path):
    """What the disk gives back of it is wrong, now and after it was written again."""
    behind = tmp_path / "behind"
    behind.mkdir()
    first = at(tmp_path, behind)
    assert first.file(night).exit_code is ExitCode.PROVEN
    (kept,) = behind.rglob("light_2.fits")
    os.utime(kept, ns=(1, 1))
    with faulty(tmp_path / "faulty", r"read|light_2\.fits|1|9999|flip", behind=behind) as disk:
        desk = Desk(tmp_path / "the desk again", archive_at=disk.path / "archive")
        outcome = desk.file(night)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert (outcome.filed, outcome.refused) == (0, 1)
        assert "1 file in the archive had changed since, and was not filed anew." in outcome.message
        assert not list(night.glob("*/nightferry/acknowledgement-*.json"))
    again = first.file(night)
    assert (again.filed, again.exit_code) == (1, ExitCode.PROVEN)
    first.assert_all_valid()


@pytest.mark.parametrize(
    ("rule", "code", "first"),
    [
        (r"write|\d+\.part|2|9999|ENOSPC", ExitCode.DOES_NOT_FIT, True),
        (r"write|\d+\.part|2|9999|EIO", ExitCode.SOMETHING_UNPROVEN, False),
        (r"read|light_2\.fits|1|9999|flip", ExitCode.SOMETHING_UNPROVEN, True),
        (r"write|manifest|1|9999|ENOSPC", ExitCode.DOES_NOT_FIT, False),
    ],
)
def test_one_archive_that_fails_or_is_full_does_not_stop_the_other(
    night: Path, tmp_path: Path, rule: str, code: ExitCode, first: bool
):
    with faulty(tmp_path / "faulty", rule) as disk:
        bad, good = disk.path / "archive", tmp_path / "good"
        one, two = (bad, good) if first else (good, bad)
        desk = Desk(tmp_path / "two archives", archive_at=one, others={"attic": two})
        outcome = desk.file(night)
        assert outcome.exit_code is code
        results = {Path(each.folder): each for each in outcome.archives}
        assert (results[good].exit_code, results[good].filed) == (ExitCode.PROVEN, 4)
        assert results[bad].exit_code is code
        assert results[bad].filed + results[bad].refused == 4
        assert outcome.as_json()["refused"] == results[bad].refused > 0
        names = {path.name for path in (night / "2026-03-14/nightferry").glob("acknowledgement-*")}
        assert names == {f"acknowledgement-{results[good].mark.id}.json"}
    Desk(tmp_path / "the same disk mended", archive_at=disk.behind / "archive").file(night)
    assert_all_of(good)
    assert_all_of(disk.behind / "archive")


def test_an_archive_that_failed_on_the_first_night_does_not_keep_the_second_from_the_other(
    computer: Computer, night: Path, tmp_path: Path
):
    computer.frame("later.fits", begun="2026-03-15T22:00:00", data=noise(9000, 8))
    assert computer.send(night).exit_code is ExitCode.PROVEN
    with faulty(tmp_path / "faulty", r"write|\d+\.part|1|9999|EIO") as disk:
        others = {"attic": tmp_path / "good"}
        desk = Desk(tmp_path / "two archives", archive_at=disk.path / "archive", others=others)
        house, attic = desk.file(night).archives
    assert (house.exit_code, house.filed, house.refused) == (ExitCode.SOMETHING_UNPROVEN, 0, 5)
    assert (attic.exit_code, attic.filed) == (ExitCode.PROVEN, 5)


def assert_all_of(archive: Path) -> None:
    """Check every bag of an archive with other people's tools, and that all files of the night are there."""
    bags = [path.parent for path in archive.rglob("bagit.txt")]
    for bag in bags:
        assert_valid(bag)
    assert sum(path.is_file() for bag in bags for path in (bag / "data").rglob("*")) == 4
