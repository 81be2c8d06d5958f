"""A drive that was only read may be pulled as well: what its driver notes of reading is on the medium."""

import os
from pathlib import Path

import pytest

from tests.support.nights import Computer, prepared
from transfer.engine.medium import flush_noted

DAYS_NS = 3 * 86_400 * 10**9
SENT = ("send", "--drive")


def _read_at(drive: Path) -> dict[str, int]:
    files = (path for path in drive.rglob("*") if path.is_file())
    return {path.relative_to(drive).as_posix(): path.stat().st_atime_ns for path in files}


def _let_days_pass(drive: Path) -> None:
    """Set every access time days back, and empty the cache."""
    for path in drive.rglob("*"):
        facts = path.stat()
        os.utime(path, ns=(facts.st_atime_ns - DAYS_NS, facts.st_mtime_ns))
        if path.is_file():
            with path.open("rb") as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def test_what_a_driver_notes_of_reading_is_flushed_without_all_that_opens_a_drive(volumes):
    with volumes("ntfs") as drive:
        (drive.path / "mount.log").write_bytes(b"22:00 slewing")
        _read_after_days(drive)
        before = _read_at(drive.path)
        (drive.path / "mount.log").read_bytes()
        flush_noted(os.fspath(drive.path))
        assert_at_rest(drive, before)


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    computer = Computer(tmp_path / "imaging")
    computer.small_night()
    return computer


@pytest.mark.parametrize("words", [("check",), ("check", "--quick"), ("plan", "--drive"), SENT], ids=" ".join)
def test_nothing_is_under_way_on_a_drive_that_was_only_read(volumes, computer, words):
    with volumes("ntfs") as drive:
        prepared(drive.path)
        assert computer.command(*SENT, drive.path).exit == 0
        _read_after_days(drive)
        before = _read_at(drive.path)
        assert computer.command(*words, drive.path).exit == 0
        assert_at_rest(drive, before)


def test_nothing_is_under_way_on_a_drive_that_has_all_beside_one_that_has_not(volumes, computer, tmp_path):
    spare = prepared(tmp_path / "spare", "Spare")
    with volumes("ntfs") as drive:
        prepared(drive.path)
        assert computer.command(*SENT, drive.path).exit == 0
        _read_after_days(drive)
        before = _read_at(drive.path)
        ran = computer.command(*SENT, drive.path, *SENT[1:], spare)
        assert (ran.exit, "SAFE ON " in ran.out) == (0, True)
        assert_at_rest(drive, before)


def _read_after_days(drive):
    _let_days_pass(drive.path)
    drive.unmount()
    drive.mount_again()


def assert_at_rest(drive, before):
    after = _read_at(drive.path)
    assert after != before
    with drive.after_a_power_cut() as left:
        assert _read_at(left.path) == after


def test_nothing_is_under_way_on_a_drive_whose_night_was_not_filed(volumes, computer, tmp_path):
    with volumes("ntfs") as drive:
        prepared(drive.path)
        assert computer.command(*SENT, drive.path).exit == 0
        log = drive.path / "2026-03-14/data/logs/mount.log"
        log.write_bytes(log.read_bytes().swapcase())
        _read_after_days(drive)
        before = _read_at(drive.path)
        computer.more = f'[archive]\nfolder = "{tmp_path / "archive"}"\n'
        (tmp_path / "archive").mkdir()
        computer.configure()
        assert computer.command("file", drive.path).exit == 1
        assert_at_rest(drive, before)


def test_nothing_is_under_way_on_the_archive_s_disk_when_all_is_filed(volumes, computer, tmp_path):
    stick = prepared(tmp_path / "stick")
    assert computer.command(*SENT, stick).exit == 0
    with volumes("ntfs") as disk:
        computer.more = f'[archive]\nfolder = "{disk.path}"\n'
        computer.configure()
        assert computer.command("file", stick).exit == 0
        with disk.after_a_power_cut() as left:
            assert _contents(left.path) == _contents(disk.path)


def test_nothing_is_under_way_on_the_archive_s_disk_when_its_pages_are_written(volumes, computer, tmp_path):
    stick = prepared(tmp_path / "stick")
    assert computer.command(*SENT, stick).exit == 0
    with volumes("ntfs") as disk:
        computer.more = f'[archive]\nfolder = "{disk.path}"\n'
        computer.configure()
        assert computer.command("file", stick, "--no-measures").exit == 0
        assert computer.command("page").exit == 0
        with disk.after_a_power_cut() as left:
            assert _contents(left.path) == _contents(disk.path)


def _contents(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}
