"""The archive itself: begun, found again, missed where it is not mounted, and held by one run at a time."""

from __future__ import annotations

import os
import shutil
import uuid
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, fits
from transfer.archive import mark as beginning
from transfer.archive.mark import MARK_NAME, ArchiveMark, mark_text, new_mark, parse_mark, write_first_mark
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.events import Event, Waiting
from transfer.stop import Stop

NOW = datetime(2026, 3, 15, 9, 30, tzinfo=UTC)


def years(tmp_path: Path) -> Path:
    folder = tmp_path / "years"
    folder.mkdir()
    (folder / "light.fits").write_bytes(fits())
    return folder


# The mark


@pytest.mark.parametrize("name", ["attic", 'with "quotes" and \\', "Größe µ 20″", "new\nline"])
def test_a_mark_reads_back_as_it_was_written(name: str):
    mark = new_mark(name, NOW)
    assert parse_mark(mark_text(mark).encode()) == mark
    assert uuid.UUID(mark.id)


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"id = 1", b'id = "no uuid"\nname = "x"\nbegun = 2026-03-15', b"[x"]
)
def test_what_is_no_mark_is_none(content: bytes):
    assert parse_mark(content) is None


def test_a_moment_without_a_zone_is_utc():
    text = mark_text(ArchiveMark(str(uuid.uuid4()), "x", NOW)).replace("Z\n", "\n")
    assert (parse_mark(text.encode()) or new_mark("", NOW)).begun == NOW


# Beginning and finding it


def test_the_first_run_begins_the_archive_and_later_ones_find_it(tmp_path: Path, desk: Desk):
    first = desk.file(years(tmp_path))
    second = desk.file(tmp_path / "years")
    assert first.archive == second.archive
    mark = parse_mark((desk.archive / MARK_NAME).read_bytes())
    assert mark == first.archive
    assert mark.name == "archive"


def test_an_archive_folder_that_is_not_there_is_not_made(tmp_path: Path, desk: Desk):
    desk.archive.rmdir()
    outcome = desk.file(years(tmp_path))
    assert (outcome.exit_code, outcome.filed) == (ExitCode.NOT_THERE, 0)
    assert str(desk.archive) in outcome.message
    assert outcome.next_step.startswith("Connect and mount what it is on.")
    assert not desk.archive.exists()


def test_a_share_that_did_not_mount_is_not_taken_for_a_new_archive(tmp_path: Path, desk: Desk):
    desk.file(years(tmp_path))
    shutil.move(desk.archive, tmp_path / "unmounted")
    desk.archive.mkdir()
    outcome = desk.file(tmp_path / "years")
    assert (outcome.exit_code, outcome.filed) == (ExitCode.NOT_THERE, 0)
    assert "Is its disk or share mounted?" in outcome.next_step
    assert not list(desk.archive.iterdir())
    assert desk.file(tmp_path / "years", dry_run=True).exit_code == ExitCode.NOT_THERE
    anew = desk.file(tmp_path / "years", new_archive=True)
    assert (anew.exit_code, anew.filed) == (ExitCode.PROVEN, 1)


def test_a_mark_that_cannot_be_read_stops_the_run(tmp_path: Path, desk: Desk):
    (desk.archive / MARK_NAME).write_text("no mark at all")
    outcome = desk.file(years(tmp_path))
    assert (outcome.exit_code, outcome.filed) == (ExitCode.NOT_THERE, 0)
    assert (desk.archive / MARK_NAME).read_text() == "no mark at all"


def test_without_an_archive_in_the_configuration_nothing_is_filed(tmp_path: Path, desk: Desk):
    desk.settings.write_text("")
    outcome = desk.file(years(tmp_path))
    assert outcome.exit_code is ExitCode.WRONG_USE
    assert "names no archive" in outcome.message


@pytest.mark.parametrize("inside", [".", "M 51", "M 51/data/2026-03-14"])
def test_the_archive_is_not_filed_into_itself(tmp_path: Path, desk: Desk, inside: str):
    desk.file(years(tmp_path))
    before = desk.fingerprint()
    outcome = desk.file(desk.archive / inside)
    assert outcome.exit_code is ExitCode.WRONG_USE
    assert desk.fingerprint() == before


def test_a_folder_that_the_archive_lies_in_is_filed_without_it(tmp_path: Path):
    folder = years(tmp_path)
    desk = Desk(tmp_path / "desk beside", archive_at=folder / "archive")
    assert desk.file(folder).filed == 1
    (folder / "new.fits").write_bytes(fits(target="M 33"))
    outcome = desk.file(folder)
    assert (outcome.exit_code, outcome.filed, outcome.already_there) == (0, 1, 1)


# Turns


def locked(desk: Desk) -> int:
    lock = this_computer().lock(desk.archive / MARK_NAME)
    assert lock is not None
    return lock


def test_a_second_run_waits_for_its_turn_and_says_so(tmp_path: Path, desk: Desk):
    desk.file(years(tmp_path))
    lock = locked(desk)
    heard: list[Event] = []

    def listen(event: Event) -> None:
        heard.append(event)
        if isinstance(event, Waiting):
            os.close(lock)

    outcome = desk.file(tmp_path / "years", listen=listen, wait_s=60.0)
    assert (outcome.exit_code, outcome.already_there) == (ExitCode.PROVEN, 1)
    assert Waiting("Another run is at work on this archive", 60.0) in heard


def test_a_run_whose_turn_does_not_come_ends_with_exit_5(tmp_path: Path, desk: Desk):
    desk.file(years(tmp_path))
    lock = locked(desk)
    try:
        outcome = desk.file(tmp_path / "years", wait_s=0.05)
    finally:
        os.close(lock)
    assert (outcome.exit_code, outcome.filed) == (ExitCode.BUSY, 0)


def test_a_run_that_is_told_to_end_while_it_waits_ends(tmp_path: Path, desk: Desk):
    desk.file(years(tmp_path))
    lock, stop = locked(desk), Stop()

    def listen(event: Event) -> None:
        if isinstance(event, Waiting):
            stop.ask("signal SIGTERM")

    try:
        outcome = desk.file(tmp_path / "years", wait_s=600.0, stop=stop, listen=listen)
    finally:
        os.close(lock)
    assert outcome.exit_code is ExitCode.STOPPED_EARLY


def test_two_computers_file_into_one_archive_at_the_same_time(
    computer: Computer, stick: Path, tmp_path: Path, desk: Desk
):
    from concurrent.futures import ThreadPoolExecutor

    computer.small_night()
    computer.send(stick)
    other = Desk(tmp_path / "other desk", archive_at=desk.archive)
    more = years(tmp_path)
    with ThreadPoolExecutor(2) as both:
        one, two = both.submit(desk.file, stick), both.submit(other.file, more)
        assert (one.result().exit_code, two.result().exit_code) == (0, 0)
    assert len(desk.files()) == 6
    desk.assert_all_valid()


def test_of_several_runs_that_begin_an_archive_at_once_one_does(tmp_path: Path):
    from concurrent.futures import ThreadPoolExecutor

    folder = tmp_path / "archive"
    folder.mkdir()
    marks = [mark_text(new_mark("x", NOW)).encode() for _ in range(8)]

    def begin(mark: bytes) -> bytes:
        pinned = this_computer().pin(folder)
        write_first_mark(pinned, mark)
        pinned.close()
        return (folder / MARK_NAME).read_bytes()

    with ThreadPoolExecutor(8) as at_once:
        seen = set(at_once.map(begin, marks))
    assert len(seen) == 1
    assert seen < set(marks)
    assert [path.name for path in folder.iterdir()] == [MARK_NAME]


def test_what_a_run_left_that_died_while_it_began_an_archive_is_no_hindrance(
    tmp_path: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(beginning, "_PATIENCE_S", 0.0)
    (desk.archive / f"{MARK_NAME}.part").write_bytes(b"id = ")
    assert desk.file(years(tmp_path)).exit_code is ExitCode.PROVEN
    assert parse_mark((desk.archive / MARK_NAME).read_bytes()) is not None
