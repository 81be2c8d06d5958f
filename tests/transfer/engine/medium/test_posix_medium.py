"""Locks that die with their process, and sources opened in the way of nobody, on Linux and macOS."""

import errno
import os
import subprocess
import sys

import pytest

from transfer.engine.medium import this_computer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX only")

HOLDER = """
import sys
from pathlib import Path
from transfer.engine.medium import this_computer
lock = this_computer().lock(Path(sys.argv[1]))
print("held" if lock is not None else "not to be had", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def mark(tmp_path):
    path = tmp_path / "mark"
    path.write_text("id = 1\n")
    return path


def _holder(path):
    return subprocess.Popen(
        [sys.executable, "-c", HOLDER, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def test_a_second_run_does_not_get_the_lock(mark):
    medium = this_computer()
    first = medium.lock(mark)
    assert medium.lock(mark) is None
    os.close(first)
    again = medium.lock(mark)
    assert again is not None
    os.close(again)


def test_a_lock_that_is_held_is_known_to_be_though_the_disk_fails_when_it_is_closed(mark, monkeypatch):
    medium = this_computer()
    held, close = medium.lock(mark), os.close

    def fail(descriptor):
        close(descriptor)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "close", fail)
    assert medium.lock(mark) is None
    close(held)


@pytest.mark.parametrize("kind", ["here", "exfat", "ntfs", "fat32"])
def test_a_lock_is_free_once_its_process_is_killed(mark, volumes, kind):
    if kind == "here":
        _kill_the_holder(mark)
        return
    with volumes(kind) as drive:
        path = drive.path / "mark"
        path.write_text("id = 1\n")
        _kill_the_holder(path)


def _kill_the_holder(path):
    medium = this_computer()
    with _holder(path) as holder:
        assert holder.stdout.readline() == "held\n"
        assert medium.lock(path) is None
        holder.kill()
        holder.wait()
        lock = medium.lock(path)
        assert lock is not None
        os.close(lock)


def test_a_lock_does_not_change_what_it_is_on(mark):
    lock = this_computer().lock(mark)
    assert mark.read_text() == "id = 1\n"
    os.close(lock)


def test_what_is_not_there_cannot_be_locked(tmp_path):
    with pytest.raises(FileNotFoundError):
        this_computer().lock(tmp_path / "mark")


def test_a_source_that_became_a_pipe_does_not_hang_the_run(tmp_path):
    os.mkfifo(tmp_path / "log.txt")
    with pytest.raises(OSError, match="no longer a regular file"):
        this_computer().open_source(str(tmp_path / "log.txt"))


def test_a_source_is_opened_for_reading_only(mark):
    descriptor = this_computer().open_source(str(mark))
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.write(descriptor, b"x")
    assert os.read(descriptor, 100) == b"id = 1\n"
    os.close(descriptor)


@pytest.mark.parametrize(
    ("code", "locked"), [(errno.EAGAIN, True), (errno.EBUSY, True), (errno.EACCES, False), (errno.EIO, False)]
)
def test_an_error_that_may_pass_is_told_from_one_that_stays(code, locked):
    assert this_computer().is_locked(OSError(code, os.strerror(code))) is locked
