import errno
import hashlib
import json
import os
import signal
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from manifests.bags.hashing import Read, read_plainly
from manifests.findings import FindingKind
from tests.support.systems import need_dir_fd, need_links
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.medium import Evidence, ReadBack, this_computer
from transfer.engine.medium.looking import Spelling
from transfer.errors import ExitCode
from transfer.events import BytesDone, Event, PhaseBegan, PhaseEnded
from transfer.jobs.check.checking import check as check_bags
from transfer.jobs.check.outcome import CheckOutcome


class ReaderWith:
    """Reads with a function of the test's own."""

    def __init__(self, read: Read) -> None:
        self.read = read

    def evidence(self) -> Evidence:
        return Evidence(ReadBack.PERHAPS_MEMORY, "a test's own reads")

    def close(self) -> None:
        pass


def check(paths: Sequence[Path], read: Read | None = None, **options: Any) -> CheckOutcome:
    """Check as the command does, past the caches, or with a read of the test's own."""

    def reader(folder: Path) -> Any:
        return ColdReader(this_computer(), folder) if read is None else ReaderWith(read)

    return check_bags(paths, reader=reader, **options)


def make_bag(folder: Path, **files: bytes) -> Path:
    (folder / "data").mkdir(parents=True)
    (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    lines = []
    for name, content in (files or {"a.fits": b"abc", "b.fits": b"abcd"}).items():
        (folder / "data" / name).write_bytes(content)
        lines.append(f"{hashlib.sha256(content).hexdigest()}  data/{name}\n")
    (folder / "manifest-sha256.txt").write_text("".join(lines))
    return folder


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """A drive with two nights, as `send` lays them out."""
    drive = tmp_path / "drive"
    make_bag(drive / "2026-03-14")
    make_bag(drive / "2026-03-15")
    (drive / "nightferry-drive.toml").touch()
    (drive / "System Volume Information").mkdir()
    return drive


def test_every_night_of_a_drive_is_proven(drive: Path) -> None:
    outcome = check([drive])
    assert outcome.exit_code is ExitCode.PROVEN
    assert [bag.verification.path for bag in outcome.bags] == [drive / "2026-03-14", drive / "2026-03-15"]
    assert [bag.verification.verified for bag in outcome.bags] == [2, 2]
    assert "4 files in 2 bags" in outcome.message


def test_one_changed_byte_in_one_night_fails_the_check_and_is_named(drive: Path) -> None:
    (drive / "2026-03-15" / "data" / "a.fits").write_bytes(b"abd")
    outcome = check([drive])
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    (finding,) = outcome.all_findings()
    assert finding.kind is FindingKind.CHANGED
    assert finding.path == str(drive / "2026-03-15" / "data" / "a.fits")


def test_a_path_that_is_not_there_is_exit_3_and_the_others_are_checked(drive: Path, tmp_path: Path) -> None:
    outcome = check([tmp_path / "gone", drive])
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert outcome.not_there == (tmp_path / "gone",)
    assert str(tmp_path / "gone") in outcome.message
    assert len(outcome.bags) == 2


def test_a_folder_without_a_bag_is_exit_3(tmp_path: Path) -> None:
    outcome = check([tmp_path])
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert outcome.without_bag == (tmp_path,)


def test_what_was_found_wrong_counts_more_than_a_path_that_is_not_there(drive: Path, tmp_path: Path) -> None:
    (drive / "2026-03-14" / "data" / "a.fits").unlink()
    assert check([tmp_path / "gone", drive]).exit_code is ExitCode.SOMETHING_UNPROVEN


def test_a_path_inside_a_bag_checks_that_bag(drive: Path) -> None:
    outcome = check([drive / "2026-03-14" / "data" / "a.fits"])
    assert [bag.verification.path for bag in outcome.bags] == [drive / "2026-03-14"]


@need_links
def test_a_bag_reached_by_several_paths_is_checked_once(drive: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(drive)
    outcome = check([drive, drive / "2026-03-14", tmp_path / "link", drive / "2026-03-14" / "data"])
    assert len(outcome.bags) == 2
    assert outcome.exit_code is ExitCode.PROVEN


def test_a_drive_that_is_pulled_is_one_finding(volumes: Any) -> None:
    with volumes("exfat", size_mb=32) as volume:
        for night in ("2026-03-14", "2026-03-15"):
            make_bag(volume.path / night, **{f"{number}.fits": b"abc" for number in range(30)})
        read: list[Path] = []

        def pulled(path: Path) -> Iterator[bytes]:
            read.append(path)
            if len(read) == 3:
                os.kill(volume.server(), signal.SIGKILL)
            return read_plainly(path)

        outcome = check([volume.path], read=pulled)
        volume.pull()
    (finding,) = outcome.all_findings()
    assert finding.kind is FindingKind.UNREADABLE
    assert finding.detail == (
        "the drive left while it was checked, after 2 files of this bag: connect it and check again"
    )
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.message == "2 files in 1 bag compared, but perhaps from memory; 1 finding to look at."


def test_a_bag_without_files_neither_lifts_a_doubt_nor_makes_one(drive: Path) -> None:
    class OfFilesAlone(ReaderWith):
        def __init__(self) -> None:
            super().__init__(self.noted)
            self.count = 0

        def noted(self, path: Path) -> Iterator[bytes]:
            self.count += "data" in path.parts
            return read_plainly(path)

        def evidence(self) -> Evidence:
            return Evidence(ReadBack.MEDIUM if self.count else ReadBack.PERHAPS_MEMORY, "by the files read")

    before = check_bags([drive], reader=lambda _: OfFilesAlone()).message
    empty = make_bag(drive / "2026-03-16", **{"gone.fits": b"abc"})
    (empty / "data/gone.fits").unlink()
    (empty / "manifest-sha256.txt").write_text("")
    outcome = check_bags([drive], reader=lambda _: OfFilesAlone())
    assert (before, outcome.message.split(";")[0]) == (
        "4 files in 2 bags proven; nothing is missing or different.",
        "4 files in 3 bags proven",
    )
    assert "read_back" not in outcome.as_json()["bags"][2]


def test_a_folder_that_is_taken_away_keeps_what_was_found_before(drive: Path, tmp_path: Path) -> None:
    (drive / "2026-03-14" / "data" / "a.fits").write_bytes(b"abd")

    def taken_away(path: Path) -> Iterator[bytes]:
        if path.name == "b.fits":
            drive.rename(tmp_path / "elsewhere")
        return read_plainly(path)

    outcome = check([drive], read=taken_away)
    assert [finding.kind for finding in outcome.all_findings()] == [
        FindingKind.CHANGED,
        FindingKind.UNREADABLE,
    ]


def test_a_file_that_cannot_be_read_on_a_drive_that_is_there_is_named(drive: Path) -> None:
    def failing(path: Path) -> Iterator[bytes]:
        if path.name == "a.fits":
            raise OSError(errno.EIO, "the medium failed")
        return read_plainly(path)

    outcome = check([drive], read=failing)
    assert [finding.path[-6:] for finding in outcome.all_findings()] == ["a.fits", "a.fits"]


def test_a_quick_check_opens_no_payload_and_says_that_it_was_quick(drive: Path) -> None:
    def never(path: Path) -> Iterator[bytes]:
        raise AssertionError(path)

    (drive / "2026-03-14" / "data" / "a.fits").write_bytes(b"abd")
    outcome = check([drive], quick=True, read=never)
    assert outcome.exit_code is ExitCode.PROVEN
    assert outcome.message.startswith("Quick check, nothing was read: 4 files")
    assert outcome.as_json()["quick"] is True


def test_files_are_read_by_what_is_given_to_read_them(drive: Path) -> None:
    read = []

    def noting(path: Path) -> Iterator[bytes]:
        read.append(path.name)
        return read_plainly(path)

    check([drive / "2026-03-14"], read=noting)
    assert read == ["a.fits", "b.fits"]


def test_a_drive_that_leaves_midway_ends_the_check_with_what_was_not_read(drive: Path) -> None:
    def leaving(path: Path) -> Iterator[bytes]:
        if path.name == "b.fits":
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return read_plainly(path)

    outcome = check([drive], read=leaving)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert {finding.kind for finding in outcome.all_findings()} == {FindingKind.UNREADABLE}


def test_events_tell_each_bag_and_every_byte(drive: Path) -> None:
    events: list[Event] = []
    check([drive], listen=events.append)
    began = [event for event in events if isinstance(event, PhaseBegan)]
    assert [(event.what, event.total_bytes) for event in began] == [
        (str(drive / "2026-03-14"), 7),
        (str(drive / "2026-03-15"), 7),
    ]
    assert sum(event.size_bytes for event in events if isinstance(event, BytesDone)) == 14
    assert sum(isinstance(event, PhaseEnded) for event in events) == 2


@pytest.mark.parametrize("steps", [0, 1])
def test_a_check_that_is_stopped_says_so_and_what_it_proved(drive: Path, steps: int) -> None:
    answers = iter([True] * steps)
    outcome = check([drive], go_on=lambda: next(answers, False))
    assert outcome.exit_code is ExitCode.STOPPED_EARLY
    assert outcome.message.startswith("Stopped early")
    assert sum(bag.verification.verified for bag in outcome.bags) == steps


@need_dir_fd
def test_a_folder_that_cannot_be_searched_is_said(tmp_path: Path) -> None:
    make_bag(tmp_path / "bag")
    deep = tmp_path / "/".join(["d" * 250] * 15)
    deep.mkdir(parents=True)
    folder = os.open(deep, os.O_RDONLY)
    os.mkdir("e" * 250, dir_fd=folder)
    below = os.open("e" * 250, os.O_RDONLY, dir_fd=folder)
    os.mkdir("f" * 250, dir_fd=below)
    os.close(below)
    os.close(folder)
    outcome = check([tmp_path])
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert [finding.kind for finding in outcome.findings] == [FindingKind.UNREADABLE]
    assert outcome.bags[0].verification.holds


def test_the_json_form_keeps_the_promised_keys(drive: Path) -> None:
    (drive / "2026-03-15" / "data" / "a.fits").unlink()
    document = json.loads(json.dumps(check([drive]).as_json()))
    assert {"command", "exit", "message", "findings", "bags"} <= set(document)
    assert (document["command"], document["exit"]) == ("check", 1)
    assert document["bags"][1]["missing"] == ["data/a.fits"]
    assert {"path", "verified", "missing", "changed", "unlisted", "malformed"} <= set(document["bags"][0])
    assert document["findings"][0]["finding"] == "missing"


def test_nothing_is_written_anywhere(drive: Path) -> None:
    (drive / "2026-03-15" / "data" / "a.fits").write_bytes(b"abd")

    def everything() -> dict[Path, tuple[int, int]]:
        return {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in drive.rglob("*")}

    before = everything()
    check([drive])
    check([drive], quick=True)
    assert everything() == before


# Paths that the system is asked for in another form than a person writes


@pytest.fixture
def far(drive: Path) -> Path:
    """A name for the drive by which this system knows it not."""
    return drive.with_name("as a person writes it")


@pytest.fixture
def spelling(drive: Path, far: Path) -> Spelling:
    return Spelling(
        asked=lambda path: path.replace(str(far), str(drive)),
        told=lambda path: path.replace(str(drive), str(far)),
    )


@pytest.mark.parametrize("quick", [False, True])
def test_all_of_a_bag_is_asked_for_in_the_system_s_form_and_told_in_a_person_s(
    drive: Path, far: Path, spelling: Spelling, quick: bool
) -> None:
    (drive / "2026-03-14" / "data" / "b.fits").unlink()
    seen: list[Event] = []
    outcome = check([far], quick=quick, listen=seen.append, spelling=spelling)
    assert [bag.verification.path for bag in outcome.bags] == [far / "2026-03-14", far / "2026-03-15"]
    (missing,) = outcome.all_findings()
    assert missing.path == str(far / "2026-03-14" / "data" / "b.fits")
    assert str(drive) not in json.dumps(outcome.as_json())
    begun = [event.what for event in seen if isinstance(event, PhaseBegan)]
    assert begun == ([] if quick else [str(far / "2026-03-14"), str(far / "2026-03-15")])


def test_what_cannot_be_looked_at_is_told_in_a_person_s_form(
    drive: Path, far: Path, spelling: Spelling
) -> None:
    def gone(_: Path) -> Any:
        raise OSError(errno.EIO, "the medium failed")

    outcome = check_bags([far, far / "gone"], reader=gone, spelling=spelling)
    assert outcome.not_there == (far / "gone",)
    assert {bag.verification.path for bag in outcome.bags} == {far / "2026-03-14", far / "2026-03-15"}
    assert str(drive) not in json.dumps(outcome.as_json())


@need_links
def test_a_bag_with_a_link_within_is_proven_where_a_link_leads_to_the_drive(drive: Path) -> None:
    payload = drive / "2026-03-14" / "data"
    (payload / "b.fits").write_bytes((payload / "a.fits").read_bytes())
    (payload / "a.fits").unlink()
    (payload / "a.fits").symlink_to("b.fits")
    digest = hashlib.sha256(b"abc").hexdigest()
    lines = f"{digest}  data/a.fits\n{digest}  data/b.fits\n"
    (drive / "2026-03-14" / "manifest-sha256.txt").write_text(lines)
    drive.with_name("link").symlink_to(drive)
    outcome = check([drive.with_name("link")])
    assert outcome.exit_code is ExitCode.PROVEN
    assert [bag.verification.verified for bag in outcome.bags] == [2, 2]
