"""What is safe nowhere is carried by a later run, tonight first; what stays is named, never passed over."""

import hashlib
import json
import os
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from manifests.bags.acknowledgement import AcknowledgedFile, Acknowledgement, acknowledgement_content
from manifests.findings import FindingKind
from tests.support.nights import NIGHT, assert_valid, entries, noise, payload, prepared
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import put_tag_file
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.events import Ahead, BytesDone, Phase, PhaseEnded
from transfer.jobs.send.plan import LeftBehind
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

TONIGHT, BEFORE, LONG_AGO = date(2026, 3, 15), NIGHT, date(2026, 1, 2)
ARCHIVE = "11111111-2222-4333-8444-555555555555"
Local = type(this_computer())


@pytest.fixture
def two_nights(computer):
    """An imaging computer with a night that was carried nowhere, and the one after it."""
    computer.small_night()
    next_night(computer)
    return computer


def next_night(computer):
    computer.frame("next.fits", begun="2026-03-15T23:00:00", data=noise(900, 8))


def nights(outcome):
    return [(each.night, each.proven, each.files) for each in outcome.nights]


def acknowledge(stick, night):
    """Write what an archive says of a night into its bag, as filing does."""
    pinned = this_computer().pin(stick)
    listed = ListedBag(pinned, night.isoformat())
    bag = stick / night.isoformat()
    files = tuple(
        AcknowledgedFile(path, entry.digests.sha256, entry.size_bytes, entry.source, entry.original, path)
        for path, entry in entries(bag).items()
    )
    manifest = hashlib.sha256((bag / "manifest-sha256.txt").read_bytes()).hexdigest()
    said = Acknowledgement(ARCHIVE, "attic", datetime(2026, 3, 16, tzinfo=UTC), manifest, files)
    put_tag_file(listed, f"nightferry/acknowledgement-{ARCHIVE}.json", acknowledgement_content(said))
    pinned.close()


class Withholding(Local):
    """This computer, where another program locks one source, or has one open."""

    def __init__(self, locked="", written=""):
        super().__init__()
        self.locked, self.written = locked, written
        self.opened = {}

    def open_source(self, path):
        if self.locked and path.endswith(self.locked):
            raise OSError(16, "Device or resource busy", path)
        descriptor = super().open_source(path)
        self.opened[descriptor] = Path(path)
        return descriptor

    def is_locked(self, error):
        return error.errno == 16

    def is_being_written(self, descriptor):
        return bool(self.written) and self.opened[descriptor].name == self.written


# Whole nights


def test_a_night_that_was_on_no_drive_is_carried_after_tonight(two_nights, stick):
    outcome = two_nights.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert nights(outcome) == [(TONIGHT, 1, 1), (BEFORE, 5, 5)]
    assert outcome.left_behind == ()
    for night in (TONIGHT, BEFORE):
        assert_valid(stick / night.isoformat())


def test_once_everything_is_somewhere_there_is_nothing_new(two_nights, stick):
    two_nights.send(stick)
    outcome = two_nights.send(stick)
    assert (outcome.exit_code, outcome.nothing_new, outcome.left_behind) == (ExitCode.PROVEN, True, ())


def test_what_was_proven_is_told_although_the_run_fails_at_an_earlier_night(two_nights, stick):
    proven = []

    def fail(event):
        if isinstance(event, PhaseEnded) and event.phase is Phase.READING_BACK:
            proven.append(event)
        if proven and isinstance(event, Ahead):
            raise MemoryError

    outcome = two_nights.send(stick, listen=fail)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert (TONIGHT, 1, 1) in nights(outcome)
    assert (outcome.files_proven, outcome.files_unproven) == (1, 5)
    (kept,) = (two_nights.records / "receipts").iterdir()
    told = " ".join(kept.read_text().split())
    assert told.startswith(
        "NOT SAFE ON 'Field stick': 5 of 6 files are not proven. This computer has no memory"
    )
    assert "Nothing is left to carry" not in told
    assert (stick / "READ ME FIRST.txt").read_text().startswith("NOT FINISHED")


def test_a_run_that_could_not_begin_does_not_say_that_nothing_is_left(two_nights, stick):
    def fail(event):
        begins = isinstance(event, Ahead)
        if begins:
            raise MemoryError

    assert two_nights.send(stick, listen=fail).nights == ()
    (kept,) = (two_nights.records / "receipts").iterdir()
    told = " ".join(kept.read_text().split())
    assert told.startswith("NOTHING WAS SENT.")
    assert "Nothing is left to carry" not in told


def test_a_night_beyond_the_limit_is_named_with_its_files(two_nights, stick):
    two_nights.frame("old.fits", begun="2026-01-02T22:00:00")
    two_nights.frame("old too.fits", begun="2026-01-02T22:10:00")
    outcome = two_nights.send(stick)
    assert outcome.left_behind == (LeftBehind(LONG_AGO, 2),)
    told = (stick / "READ ME FIRST.txt").read_text()
    assert "safe only on the imaging computer: 2 files of 1 night (2026-01-02)" in " ".join(told.split())
    assert outcome.as_json()["nights_left_behind"] == ["2026-01-02"]
    assert outcome.as_json()["files_left_behind"] == 2


def test_who_wants_tonight_alone_gets_it_and_the_rest_is_named(two_nights, stick):
    two_nights.more = "[send]\ncatch_up_nights = 0\n"
    two_nights.configure()
    outcome = two_nights.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert outcome.left_behind == (LeftBehind(BEFORE, 5),)


def test_a_night_that_was_asked_for_by_name_comes_alone(two_nights, stick):
    outcome = two_nights.send(stick, scope=Scope(nights=frozenset({TONIGHT})))
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert outcome.left_behind == (LeftBehind(BEFORE, 5),)


# Files of a night that was carried


def test_a_frame_that_came_late_joins_its_night(computer, stick):
    computer.small_night()
    computer.send(stick)
    next_night(computer)
    computer.frame("late.fits", begun="2026-03-15T02:00:00", data=noise(800, 9))
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert nights(outcome) == [(TONIGHT, 1, 1), (BEFORE, 6, 6)]
    assert "data/frames/late.fits" in payload(stick / BEFORE.isoformat())
    assert_valid(stick / BEFORE.isoformat())


def test_a_frame_that_was_locked_is_carried_when_it_is_free(computer, stick):
    computer.small_night()
    locked = Withholding(locked="light 1.fits")
    first = computer.send(stick, medium=locked)
    assert first.exit_code is ExitCode.SOMETHING_UNPROVEN
    next_night(computer)
    second = computer.send(stick, medium=locked)
    assert second.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert FindingKind.LOCKED in {found.kind for found in second.all_findings()}
    third = computer.send(stick)
    assert third.exit_code is ExitCode.PROVEN
    assert "data/frames/M 51/Ha/light 1.fits" in payload(stick / BEFORE.isoformat())
    assert_valid(stick / BEFORE.isoformat())


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="finds an open file's name in /proc")  # noqa: PTH112
def test_a_log_that_was_open_keeps_its_night_open_until_it_was_read_at_rest(computer, stick):
    computer.small_night()
    computer.send(stick, medium=Withholding(written="mount.log"))
    next_night(computer)
    second = computer.send(stick, medium=Withholding(written="mount.log"))
    assert BEFORE in [each.night for each in second.nights]
    assert entries(stick / BEFORE.isoformat())["data/logs/mount.log"].growing
    third = computer.send(stick)
    assert third.exit_code is ExitCode.PROVEN
    assert not entries(stick / BEFORE.isoformat())["data/logs/mount.log"].growing
    assert computer.send(stick).nothing_new
    assert BEFORE not in [each.night for each in computer.send(stick).nights]


def test_a_log_that_grew_after_its_night_replaces_its_older_part(computer, stick):
    computer.small_night()
    computer.send(stick)
    next_night(computer)
    computer.append(computer.logs / "mount.log", b"22:01 parked\n")
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert payload(stick / BEFORE.isoformat())["data/logs/mount.log"].endswith(b"parked\n")
    assert_valid(stick / BEFORE.isoformat())


def test_a_source_that_was_absent_is_carried_when_it_is_back(computer, stick):
    computer.small_night()
    away = computer.root / "unplugged"
    computer.logs.rename(away)
    assert computer.send(stick).exit_code is ExitCode.NOT_THERE
    away.rename(computer.logs)
    next_night(computer)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert nights(outcome) == [(TONIGHT, 1, 1), (BEFORE, 5, 5)]


# Other drives


def test_what_another_drive_has_is_not_carried_again(computer, stick, tmp_path):
    computer.small_night()
    computer.send(prepared(tmp_path / "first", "First"))
    next_night(computer)
    outcome = computer.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert outcome.left_behind == ()


def test_of_a_night_on_another_drive_only_what_came_late_is_carried(computer, stick, tmp_path):
    computer.small_night()
    computer.send(prepared(tmp_path / "first", "First"))
    next_night(computer)
    computer.frame("late.fits", begun="2026-03-15T02:00:00")
    outcome = computer.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1), (BEFORE, 1, 1)]
    assert sorted(payload(stick / BEFORE.isoformat())) == ["data/frames/late.fits"]
    assert_valid(stick / BEFORE.isoformat())
    assert computer.send(stick).nothing_new


def test_a_drive_that_is_here_is_asked_itself(computer, stick):
    """Its records say that the night is there; somebody has taken it off, and no archive has it."""
    computer.small_night()
    computer.send(stick)
    next_night(computer)
    shutil.rmtree(stick / BEFORE.isoformat())
    outcome = computer.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1), (BEFORE, 5, 5)]
    assert_valid(stick / BEFORE.isoformat())


def test_what_two_drives_lack_comes_onto_both(two_nights, stick, tmp_path):
    other = prepared(tmp_path / "other", "Other")
    outcome = two_nights.send(stick, other)
    assert outcome.exit_code is ExitCode.PROVEN
    for drive in (stick, other):
        assert_valid(drive / BEFORE.isoformat())


def test_without_records_what_lies_on_the_drive_is_compared_and_not_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    next_night(computer)
    shutil.rmtree(computer.records)
    outcome = computer.send(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert [(each.night, each.carried) for each in outcome.nights] == [(TONIGHT, 1), (BEFORE, 0)]
    assert BEFORE not in [each.night for each in computer.send(stick).nights]


# The archive


def test_a_night_that_an_archive_has_may_leave_the_drive_by_hand(computer, stick):
    computer.small_night()
    computer.send(stick)
    acknowledge(stick, BEFORE)
    next_night(computer)
    computer.send(stick)  # which sees the acknowledgement
    shutil.rmtree(stick / BEFORE.isoformat())
    outcome = computer.send(stick)
    assert (outcome.nothing_new, outcome.left_behind) == (True, ())
    assert not (stick / BEFORE.isoformat()).exists()


def test_so_may_the_last_night_before_another_has_begun(computer, stick):
    computer.small_night()
    computer.send(stick)
    acknowledge(stick, BEFORE)
    assert computer.send(stick).nothing_new
    shutil.rmtree(stick / BEFORE.isoformat())
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.nothing_new) == (ExitCode.PROVEN, True)
    assert outcome.message == "Nothing new to send: every file is in the archive, or was checked on a drive."
    assert not (stick / BEFORE.isoformat()).exists()
    again = computer.send(stick, scope=Scope(nights=frozenset({BEFORE})))
    assert nights(again) == [(BEFORE, 5, 5)]


def test_a_night_that_was_checked_on_its_drive_may_leave_it_by_hand(volumes, computer):
    computer.small_night()
    with volumes("ext4") as drive:
        prepared(drive.path)
        computer.send(drive.path)
        assert computer.command("check", drive.path).exit == 0
        next_night(computer)
        shutil.rmtree(drive.path / BEFORE.isoformat())
        outcome = computer.send(drive.path)
        assert (nights(outcome), outcome.left_behind) == ([(TONIGHT, 1, 1)], ())


def test_another_drive_gets_the_night_whatever_was_checked_on_the_first(volumes, computer, stick):
    computer.small_night()
    with volumes("ext4") as drive:
        prepared(drive.path)
        computer.send(drive.path)
        assert computer.command("check", drive.path).exit == 0
    outcome = computer.send(stick)
    assert nights(outcome) == [(BEFORE, 5, 5)]
    assert_valid(stick / BEFORE.isoformat())


def test_what_came_onto_the_drive_after_the_check_is_asked_for(volumes, computer):
    computer.small_night()
    with volumes("ext4") as drive:
        prepared(drive.path)
        computer.send(drive.path)
        assert computer.command("check", drive.path).exit == 0
        computer.log("late.log")
        computer.send(drive.path)
        next_night(computer)
        shutil.rmtree(drive.path / BEFORE.isoformat())
        assert (BEFORE, 6, 6) in nights(computer.send(drive.path))


def test_a_quick_check_or_one_that_fails_frees_nothing(volumes, computer):
    computer.small_night()
    with volumes("ext4") as drive:
        prepared(drive.path)
        computer.send(drive.path)
        assert computer.command("check", drive.path, "--quick").exit == 0
        (drive.path / BEFORE.isoformat() / "data/logs/mount.log").write_bytes(b"other than listed")
        assert computer.command("check", drive.path).exit == 1
        next_night(computer)
        shutil.rmtree(drive.path / BEFORE.isoformat())
        assert (BEFORE, 5, 5) in nights(computer.send(drive.path))


def test_an_acknowledgement_of_other_content_frees_nothing(computer, stick):
    computer.small_night()
    computer.send(stick)
    acknowledge(stick, BEFORE)
    path = stick / BEFORE.isoformat() / f"nightferry/acknowledgement-{ARCHIVE}.json"
    document = json.loads(path.read_text())
    for file in document["files"]:
        file["sha256"] = "0" * 64
    path.write_text(json.dumps(document))
    next_night(computer)
    computer.send(stick)
    shutil.rmtree(stick / BEFORE.isoformat())
    assert (BEFORE, 5, 5) in nights(computer.send(stick))


def test_a_file_that_changed_since_it_was_acknowledged_is_carried(computer, stick):
    computer.small_night()
    computer.send(stick)
    acknowledge(stick, BEFORE)
    next_night(computer)
    computer.send(stick)
    shutil.rmtree(stick / BEFORE.isoformat())
    computer.append(computer.logs / "mount.log", b"22:01 parked\n")
    assert nights(computer.send(stick)) == [(TONIGHT, 1, 1), (BEFORE, 1, 1)]


# An archive on this computer, and sources that were copied back


def test_a_night_that_an_archive_on_this_computer_has_may_leave_the_drive_before_a_send_has_seen_that(
    computer, stick
):
    archive = computer.root / "archive"
    archive.mkdir()
    computer.more = f"[archive]\nfolder = '{archive}'\n"
    computer.configure()
    computer.small_night()
    computer.send(stick)
    assert computer.command("file", stick).exit == 0
    shutil.rmtree(stick / BEFORE.isoformat())
    next_night(computer)
    outcome = computer.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert not outcome.left_behind


def copied_back(computer):
    """Give every source another time, as copying it back does; return how many there are."""
    files = [path for path in (computer.root / "computer").rglob("*") if path.is_file()]
    for path in files:
        facts = path.stat()
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns + 3_000_000_000))
    return len(files)


def test_a_source_that_was_copied_back_is_read_and_not_carried_again(computer, stick):
    computer.small_night()
    computer.send(stick)
    copied_back(computer)
    planned = computer.command("plan", "--drive", stick, "--json").document
    assert [night["carry"] for night in planned["nights"]] == [0]
    outcome = computer.send(stick)
    assert (outcome.exit_code, nights(outcome)) == (ExitCode.PROVEN, [(BEFORE, 5, 5)])
    assert outcome.nothing_new


def test_one_that_an_archive_has_asks_the_drive_for_no_room_either(computer, stick, desk):
    computer.small_night()
    computer.send(stick)
    assert desk.file(stick).exit_code is ExitCode.PROVEN
    computer.send(stick)
    shutil.rmtree(stick / BEFORE.isoformat())
    copied_back(computer)
    next_night(computer)
    outcome = computer.send(stick)
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert not outcome.left_behind


def test_what_was_read_once_is_read_no_more_while_it_stays_as_it_is(computer, stick):
    computer.small_night()
    computer.send(stick)
    copied_back(computer)
    read = []
    computer.send(stick, listen=read.append)
    assert sum(isinstance(event, BytesDone) and event.phase is Phase.COMPARING for event in read) >= 5
    read.clear()
    computer.send(stick, listen=read.append)
    assert not [event for event in read if isinstance(event, BytesDone) and event.phase is Phase.COMPARING]


def test_other_content_of_the_same_size_under_another_time_is_carried(computer, stick):
    computer.small_night()
    computer.send(stick)
    copied_back(computer)
    frame = next(computer.frames.rglob("light 1.fits"))
    content = bytearray(frame.read_bytes())
    content[-1] ^= 1
    frame.write_bytes(content)
    outcome = computer.send(stick)
    assert (outcome.exit_code, sum(night.carried for night in outcome.nights)) == (ExitCode.PROVEN, 1)


# Room and time


def test_where_there_is_no_room_tonight_is_carried_and_the_rest_is_named(volumes, computer):
    computer.frames_of(8, 3 << 20)
    next_night(computer)
    with volumes("exfat", size_mb=20) as drive:
        prepared(drive.path)
        outcome = computer.send(drive.path)
        assert outcome.exit_code is ExitCode.PROVEN
        assert nights(outcome) == [(TONIGHT, 1, 1)]
        assert outcome.left_behind == (LeftBehind(BEFORE, 8),)
        assert not (drive.path / BEFORE.isoformat()).exists()


def test_where_there_is_no_time_tonight_is_carried_and_the_rest_is_named(two_nights, stick):
    now_s = [0.0]

    def takes_long(event):
        now_s[0] += 45.0 if isinstance(event, PhaseEnded) and event.phase == "reading back" else 0.0

    outcome = two_nights.send(stick, stop=Stop(60, lambda: now_s[0]), listen=takes_long)
    assert outcome.exit_code is ExitCode.PROVEN
    assert nights(outcome) == [(TONIGHT, 1, 1)]
    assert outcome.left_behind == (LeftBehind(BEFORE, 5),)
    assert not (stick / BEFORE.isoformat()).exists()
