"""What the kernel is asked directly: which pages are in memory, by both calls it offers for that."""

import mmap
import os
import sys

import pytest

from transfer.engine.medium.linux.calls import cached_pages, reports_lost_writes, resident_pages, syncfs

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")

PAGES = 300


@pytest.fixture
def stored(volumes):
    """A file of 300 pages on a volume of its own, flushed and dropped from memory."""
    with volumes("ext4") as drive:
        path = drive.path / "light.fits"
        path.write_bytes(os.urandom(PAGES * mmap.PAGESIZE - 100))
        descriptor = os.open(path, os.O_RDONLY)
        syncfs(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_RANDOM)  # nothing is read ahead
        yield descriptor
        os.close(descriptor)


@pytest.mark.parametrize("count", [cached_pages, resident_pages])
def test_pages_in_memory_are_counted(stored, count):
    size = os.fstat(stored).st_size
    assert count(stored, size) == 0
    os.pread(stored, 1, 0)
    os.pread(stored, 1, 200 * mmap.PAGESIZE)
    assert count(stored, size) == 2
    os.pread(stored, size, 0)
    assert count(stored, size) == PAGES


@pytest.mark.parametrize("count", [cached_pages, resident_pages])
def test_an_empty_file_has_no_pages(tmp_path, count):
    (tmp_path / "empty").touch()
    descriptor = os.open(tmp_path / "empty", os.O_RDONLY)
    assert count(descriptor, 0) == 0
    os.close(descriptor)


def test_both_ways_agree_on_a_device_larger_than_one_look(volumes):
    with volumes("exfat", size_mb=600) as drive:
        (drive.path / "light.fits").write_bytes(os.urandom(2 << 20))
        os.sync()
        device = os.open(drive.device, os.O_RDONLY)
        os.pread(device, 1, 599 << 20)
        counted = cached_pages(device, 600 << 20)
        assert counted
        assert resident_pages(device, 600 << 20) == counted
        os.close(device)


def test_what_cannot_be_mapped_is_not_told():
    reading, writing = os.pipe()
    assert resident_pages(reading, 4096) is None
    os.close(reading)
    os.close(writing)


def test_a_disk_too_large_to_look_through_is_not_told(tmp_path):
    (tmp_path / "disk").touch()
    os.truncate(tmp_path / "disk", 65 << 30)
    descriptor = os.open(tmp_path / "disk", os.O_RDONLY)
    assert resident_pages(descriptor, 65 << 30) is None
    os.close(descriptor)


def test_a_flush_that_fails_is_raised():
    reading, writing = os.pipe()
    os.close(reading)
    os.close(writing)
    with pytest.raises(OSError, match="Bad file descriptor"):
        syncfs(writing)


@pytest.mark.parametrize(
    ("release", "told"),
    [
        ("5.7.19", False),
        ("5.8.0-generic", True),
        ("4.19", False),
        ("6.18.44", True),
        ("10.0", True),
        ("?", False),
    ],
)
def test_kernels_that_keep_lost_writes_to_themselves_are_known(release, told):
    assert reports_lost_writes(release) is told
