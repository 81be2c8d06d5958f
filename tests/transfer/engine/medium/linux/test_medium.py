"""What Linux alone offers: leases that tell of writers, and flushes that reach the medium."""

import contextlib
import os
import subprocess
import sys

import pytest

from transfer.engine.medium import this_computer
from transfer.engine.medium.base import write_all

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")

WRITER = """
import sys
with open(sys.argv[1], "a") as log:
    print("open", flush=True)
    sys.stdin.read()
"""

INTERRUPTED = """
import os, sys
from transfer.engine.medium.linux.calls import read_lease
descriptor = os.open(sys.argv[1], os.O_RDONLY)
with read_lease(descriptor):
    try:
        os.open(sys.argv[1], os.O_WRONLY | os.O_NONBLOCK)
    except BlockingIOError:
        print("the lease was broken")
"""


@contextlib.contextmanager
def _source(path):
    descriptor = this_computer().open_source(str(path))
    yield descriptor
    os.close(descriptor)


# Leases


def test_a_file_that_any_other_program_has_open_is_not_alone_with_this_one(tmp_path):
    path = tmp_path / "light.fits"
    path.write_bytes(b"a frame")
    reader = [sys.executable, "-c", WRITER.replace('"a"', '"r"'), path]
    with _source(path) as descriptor:
        with subprocess.Popen(reader, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as program:
            assert program.stdout.readline() == "open\n"
            with this_computer().alone_with(descriptor) as alone:
                assert alone is False
        with this_computer().alone_with(descriptor) as alone:
            assert alone is True


def test_a_program_that_opens_a_file_meanwhile_waits(tmp_path):
    path = tmp_path / "light.fits"
    path.write_bytes(b"a frame")
    with _source(path) as descriptor, this_computer().alone_with(descriptor) as alone:
        assert alone is True
        with pytest.raises(BlockingIOError):
            os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    os.close(os.open(path, os.O_RDONLY | os.O_NONBLOCK))


def test_a_log_that_its_program_has_open_is_told_from_one_that_is_done(tmp_path):
    path = tmp_path / "guiding.txt"
    path.write_text("21:04 settled\n")
    writer = [sys.executable, "-c", WRITER, path]
    with _source(path) as descriptor:
        assert this_computer().is_being_written(descriptor) is False
        with subprocess.Popen(writer, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as program:
            assert program.stdout.readline() == "open\n"
            assert this_computer().is_being_written(descriptor) is True
        assert this_computer().is_being_written(descriptor) is False


def test_a_reader_is_no_writer(tmp_path):
    path = tmp_path / "guiding.txt"
    path.write_text("21:04 settled\n")
    with _source(path) as descriptor, path.open():
        assert this_computer().is_being_written(descriptor) is False


def test_nothing_is_claimed_where_there_are_no_leases(tmp_path):
    reading, writing = os.pipe()
    assert this_computer().is_being_written(reading) is None
    os.close(reading)
    os.close(writing)


def test_a_program_may_open_the_file_again_after_it_was_looked_at(tmp_path):
    path = tmp_path / "guiding.txt"
    path.write_text("21:04 settled\n")
    with _source(path) as descriptor:
        this_computer().is_being_written(descriptor)
        os.close(os.open(path, os.O_WRONLY | os.O_NONBLOCK))


def test_a_program_that_opens_the_file_just_then_does_not_end_the_run(tmp_path):
    path = tmp_path / "guiding.txt"
    path.write_text("21:04 settled\n")
    run = subprocess.run(
        [sys.executable, "-c", INTERRUPTED, path], capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stdout) == (0, "the lease was broken\n")


# Flushing


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs", "fat32"])
def test_what_was_flushed_under_its_final_name_survives_a_power_cut(volumes, kind):
    content = os.urandom(3_000_000)
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        changed = folder.make_folders("2026-03-14/data")
        descriptors = []
        for name in ("1.part", "2.part"):
            descriptors.append(folder.create_file(name))
            write_all(descriptors[-1], content)
        folder.flush_files(descriptors)
        for descriptor, number in zip(descriptors, (1, 2), strict=True):
            os.close(descriptor)
            folder.replace(f"{number}.part", f"2026-03-14/data/{number}.fits")
        folder.flush_folders(sorted(changed | {"2026-03-14/data"}))
        with drive.after_a_power_cut() as left:
            for number in (1, 2):
                assert (left.path / f"2026-03-14/data/{number}.fits").read_bytes() == content
        folder.close()


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs", "fat32"])
def test_what_was_flushed_survives_a_power_cut_before_it_has_its_name(volumes, kind):
    content = os.urandom(3_000_000)
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        descriptor = folder.create_file("1.part")
        folder.flush_folders([""])
        write_all(descriptor, content)
        folder.flush_files([descriptor])
        os.close(descriptor)
        with drive.after_a_power_cut() as left:
            assert (left.path / "1.part").read_bytes() == content
        folder.close()


def test_a_flush_empties_the_device_s_own_cache(volumes):
    with volumes("ext4") as drive:
        folder = this_computer().pin(drive.path)
        descriptor = folder.create_file("1.part")
        write_all(descriptor, b"a frame")
        before = drive.flushes()
        folder.flush_files([descriptor])
        assert drive.flushes() > before
        os.close(descriptor)
        folder.close()
