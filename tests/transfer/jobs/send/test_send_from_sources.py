"""Sources that vanish, change, or cannot be read while they are carried; and places that are refused."""

import os
import sys

import pytest

from manifests.findings import FindingKind
from tests.support.faulty_drive import faulty, need_fuse
from tests.support.nights import (
    EVENING_NS,
    NIGHT,
    assert_valid,
    entries,
    listed_truly,
    noise,
    payload,
    prepared,
)
from tests.support.systems import need_links, need_pipes
from transfer.errors import ExitCode
from transfer.events import BytesDone, Phase, PhaseBegan
from transfer.stop import Stop

BAG = NIGHT.isoformat()
LONG = 36 << 20  # the reader is at most some 20 MB ahead of what is told to be copied


def of_kind(outcome, kind):
    return [finding.path for finding in outcome.all_findings() if finding.kind is kind]


def when_copying_begins(act):
    """Listen to a run, and act once, when the sources were looked at and nothing is copied yet."""
    done = []

    def listen(event):
        if isinstance(event, PhaseBegan) and event.phase is Phase.COPYING and not done:
            done.append(event)
            act()

    return listen


def when_bytes_are_copied(act):
    """Listen to a run, and act once, in the middle of its first file."""
    done = []

    def listen(event):
        if isinstance(event, BytesDone) and not done:
            done.append(event)
            act()

    return listen


# Gone, or not what it was


def test_a_file_that_vanishes_is_reported_and_the_others_are_proven(computer, stick):
    computer.small_night()
    log = computer.logs / "mount.log"
    outcome = computer.send(stick, listen=when_copying_begins(log.unlink))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (outcome.files_proven, outcome.files_unproven) == (4, 1)
    assert of_kind(outcome, FindingKind.VANISHED) == ["logs/mount.log"]
    assert_valid(stick / BAG)
    assert "NOT SAFE ON" in (stick / "READ ME FIRST.txt").read_text()
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert (stick / "READ ME FIRST.txt").read_text().startswith("SAFE ON ")


@need_pipes
@pytest.mark.skipif(sys.platform == "win32", reason="no FIFOs")
@pytest.mark.parametrize("become", ["mkfifo", "mkdir"])
def test_what_became_something_else_than_a_file_is_reported_and_not_waited_for(computer, stick, become):
    computer.small_night()
    log = computer.logs / "mount.log"

    def swap():
        log.unlink()
        getattr(os, become)(log)

    outcome = computer.send(stick, listen=when_copying_begins(swap))
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert of_kind(outcome, FindingKind.UNREADABLE) == ["logs/mount.log"]
    assert_valid(stick / BAG)


def test_a_file_that_grows_while_it_is_read_is_carried_as_it_was_and_again_by_the_next_run(computer, stick):
    log = computer.log("mount.log", noise(LONG))
    outcome = computer.send(stick, listen=when_bytes_are_copied(lambda: computer.append(log, b"more\n")))
    assert outcome.exit_code is ExitCode.PROVEN
    assert of_kind(outcome, FindingKind.STILL_GROWING) == ["logs/mount.log"]
    assert entries(stick / BAG)["data/logs/mount.log"].size_bytes == LONG
    assert_valid(stick / BAG)
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert payload(stick / BAG) == {"data/logs/mount.log": noise(LONG) + b"more\n"}
    assert_valid(stick / BAG)


def test_a_file_that_is_cut_while_it_is_read_is_carried_as_far_as_it_went(computer, stick):
    log = computer.log("mount.log", noise(LONG))
    cut = LONG - (1 << 20)
    outcome = computer.send(stick, listen=when_bytes_are_copied(lambda: os.truncate(log, cut)))
    assert outcome.exit_code is ExitCode.PROVEN
    assert of_kind(outcome, FindingKind.CHANGED_WHILE_READ) == ["logs/mount.log"]
    assert_valid(stick / BAG)
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    assert noise(LONG)[:cut] in payload(stick / BAG).values()
    assert "Nothing new" in computer.send(stick).message


def test_a_file_that_is_written_over_while_it_is_read_is_carried_again_by_the_next_run(computer, stick):
    log = computer.log("mount.log", noise(LONG))

    def write_over():
        with log.open("r+b") as file:
            file.write(b"another beginning")
        os.utime(log, ns=(EVENING_NS, EVENING_NS + 60 * 10**9))  # the same night still

    outcome = computer.send(stick, listen=when_bytes_are_copied(write_over))
    assert of_kind(outcome, FindingKind.CHANGED_WHILE_READ) == ["logs/mount.log"]
    computer.send(stick)
    assert log.read_bytes() in payload(stick / BAG).values()
    assert_valid(stick / BAG)


# Files that cannot be read


class Impatient(Stop):
    """Does not wait between one try and the next."""

    def pause(self, seconds):
        pass


@pytest.fixture
def through(computer, tmp_path):
    """Serve the sources through a file system with faults."""
    need_fuse()
    computer.small_night()

    def send(stick, *rules):
        with faulty(tmp_path / "source", *rules, behind=computer.root / "computer") as source:
            text = computer.file.read_text()
            computer.file.write_text(text.replace('"computer/', f'"{source.path}/'))
            try:
                return computer.send(stick, stop=Impatient()), source.faults
            finally:
                computer.file.write_text(text)

    return send


@pytest.mark.parametrize(
    "rule",
    [
        "open|mount|1|9999|EACCES",
        "read|mount|1|9999|EIO",
        "read|mount|1|9999|short",
        "open|light 1|1|9999|EIO",
    ],
)
def test_a_file_that_cannot_be_read_is_reported_and_the_others_are_proven(computer, stick, through, rule):
    outcome, faults = through(stick, rule)
    assert faults
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (outcome.files_proven, outcome.files_unproven) == (4, 1)
    assert len(of_kind(outcome, FindingKind.UNREADABLE)) == 1
    assert_valid(stick / BAG)
    assert len(listed_truly(stick / BAG)) == 4
    assert computer.send(stick).files_proven == 5
    assert_valid(stick / BAG)


def test_a_file_that_another_program_locks_for_a_moment_is_tried_again(computer, stick, through):
    outcome, faults = through(stick, "open|mount|1|2|EBUSY")
    assert (outcome.exit_code, outcome.files_proven, faults) == (ExitCode.PROVEN, 5, 2)
    assert_valid(stick / BAG)


def test_a_file_that_stays_locked_is_reported(computer, stick, through):
    outcome, faults = through(stick, "open|mount|1|9999|EBUSY")
    assert (outcome.exit_code, faults) == (ExitCode.SOMETHING_UNPROVEN, 3)
    assert of_kind(outcome, FindingKind.LOCKED) == ["logs/mount.log"]
    assert (outcome.files_proven, outcome.files_unproven) == (4, 1)


def test_a_folder_that_cannot_be_listed_is_no_success(computer, stick, through):
    outcome, _ = through(stick, "readdir|weather|1|9999|EIO")
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.files_proven == 4
    assert of_kind(outcome, FindingKind.UNREADABLE) == ["logs/weather"]


# Places that are refused


def untouched(folder):
    return sorted(path.name for path in folder.rglob("*"))


def test_a_folder_that_is_no_prepared_drive_gets_no_byte(computer, tmp_path):
    computer.small_night()
    folder = tmp_path / "where the stick was"
    folder.mkdir()
    outcome = computer.send(folder)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "not a prepared drive" in outcome.message
    assert "prepare" in outcome.next_step
    assert untouched(folder) == []


def test_a_drive_that_is_not_there_is_told(computer, tmp_path):
    computer.small_night()
    outcome = computer.send(tmp_path / "nowhere")
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert "no such folder" in outcome.message
    assert "plugged in" in outcome.next_step


def test_a_mark_that_is_none_any_more_is_told(computer, stick):
    computer.small_night()
    (stick / "nightferry-drive.toml").write_bytes(b"\0" * 300)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert untouched(stick) == ["nightferry-drive.toml"]


def test_a_source_on_the_drive_is_refused(computer, stick):
    computer.small_night()
    (computer.root / "computer").rename(stick / "computer")
    computer.file.write_text(
        computer.file.read_text().replace('"computer/', f'"{stick.as_posix()}/computer/')
    )
    before = untouched(stick)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.WRONG_USE
    assert "lies on the drive" in outcome.message
    assert untouched(stick) == before


@pytest.mark.parametrize("through_a_link", [False, pytest.param(True, marks=need_links)])
def test_a_drive_inside_a_source_is_refused(computer, tmp_path, through_a_link):
    computer.small_night()
    drive = prepared(computer.logs / "backup")
    if through_a_link:
        drive = tmp_path / "link"
        drive.symlink_to(computer.logs / "backup", target_is_directory=True)
    outcome = computer.send(drive)
    assert outcome.exit_code is ExitCode.WRONG_USE
    assert "sent to itself" in outcome.message
    assert untouched(computer.logs / "backup") == ["nightferry-drive.toml"]


@need_links
def test_a_link_from_a_source_to_the_drive_is_not_followed(computer, stick):
    computer.small_night()
    (computer.logs / "to the stick").symlink_to(stick, target_is_directory=True)
    assert computer.send(stick).files_proven == 5
    assert "Nothing new" in computer.send(stick).message


def test_a_source_that_is_not_there_keeps_no_other_sources_night_from_the_drive(computer, stick):
    computer.small_night()
    computer.logs.rename(computer.root / "unplugged")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.NOT_THERE
    assert not outcome.safe_to_pull
    assert "Not carried: what lies in logs, which could not be looked into." in outcome.message
    assert FindingKind.SOURCE_ABSENT in [found.kind for found in outcome.all_findings()]
    assert_valid(stick / NIGHT.isoformat())
    assert computer.send(stick).exit_code is ExitCode.NOT_THERE
    (computer.root / "unplugged").rename(computer.logs)
    assert computer.send(stick).exit_code is ExitCode.PROVEN


def test_where_no_source_is_there_nothing_is_written(computer, stick):
    computer.small_night()
    computer.logs.rename(computer.root / "unplugged")
    computer.frames.rename(computer.root / "unplugged too")
    assert computer.send(stick).exit_code is ExitCode.NOT_THERE
    assert untouched(stick) == ["nightferry-drive.toml"]


@need_pipes
def test_what_is_no_file_in_a_source_is_told_and_is_no_alarm(computer, stick):
    computer.small_night()
    os.mkfifo(computer.logs / "pipe")
    (computer.logs / "old.log").symlink_to("gone.log")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert [found.kind for found in outcome.findings] == [FindingKind.NOT_A_FILE] * 2
