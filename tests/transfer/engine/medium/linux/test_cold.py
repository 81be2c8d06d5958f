"""A cold read comes from the medium, or it is said that it perhaps does not: on real volumes."""

import contextlib
import mmap
import os
import sys
import tempfile
from pathlib import Path

import pytest

from transfer.engine.medium import ReadBack, this_computer
from transfer.engine.medium.base import write_all
from transfer.engine.medium.linux import cold as linux_cold
from transfer.engine.medium.linux.cold import ColdWatch, LinuxColdGroup
from transfer.engine.medium.linux.mounts import Mount

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")

WITH_A_DEVICE = ("ext4", "exfat", "ntfs")
SIZE = 3_000_001  # neither a whole number of blocks nor of sectors


def _carry(folder, content, path="light.fits"):
    """Write a file as the engine does: whole, flushed, and named."""
    descriptor = folder.create_file("1.part")
    write_all(descriptor, content)
    folder.flush_files([descriptor])
    os.close(descriptor)
    folder.replace("1.part", path)
    folder.flush_folders([""])


def _cold(folder, *paths):
    folder.chill()
    with folder.cold(paths) as group:
        contents = [b"".join(bytes(block) for block in group.blocks(path)) for path in paths]
        return contents, group.evidence()


def _differences(one, other):
    assert len(one) == len(other)
    return [place for place in range(len(one)) if one[place] != other[place]]


# From the medium


@pytest.mark.parametrize("kind", WITH_A_DEVICE)
def test_a_cold_read_sees_what_changed_behind_the_cache_and_an_ordinary_one_does_not(volumes, kind):
    content = os.urandom(SIZE)
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        _carry(folder, content)
        drive.flip(content[8192:8256], at=7)
        assert (drive.path / "light.fits").read_bytes() == content, "an ordinary read-back proves memory"
        (read,), evidence = _cold(folder, "light.fits")
        assert _differences(content, read) == [8199]
        assert evidence.read_back is ReadBack.MEDIUM
        folder.close()


@pytest.mark.parametrize("kind", WITH_A_DEVICE)
def test_every_read_of_a_group_is_backed_by_the_device_s_count(volumes, kind):
    contents = [os.urandom(SIZE), b"", os.urandom(100), os.urandom(70_000)]
    names = [f"{number}.fits" for number in range(len(contents))]
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        for name, content in zip(names, contents, strict=True):
            _carry(folder, content, name)
        before = drive.served()
        read, evidence = _cold(folder, *names)
        assert read == contents
        assert evidence.read_back is ReadBack.MEDIUM
        assert drive.served() - before >= sum(map(len, contents)) // 512 * 512
        folder.close()


@pytest.mark.parametrize("kind", WITH_A_DEVICE)
def test_a_file_that_is_read_again_comes_from_the_medium_again(volumes, kind):
    content = os.urandom(SIZE)
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        _carry(folder, content)
        assert _cold(folder, "light.fits")[0] == [content]
        drive.flip(content[8192:8256])
        (read,), evidence = _cold(folder, "light.fits")
        assert _differences(content, read) == [8192]
        assert evidence.read_back is ReadBack.MEDIUM
        folder.close()


# Perhaps from memory


@pytest.mark.parametrize("kind", ["fat32", "tmpfs"])
def test_nothing_is_claimed_where_no_device_counts(volumes, kind):
    if kind == "fat32":
        with volumes(kind) as drive:
            _expect_doubt(drive.path, "no device counts the reads")
        return
    with tempfile.TemporaryDirectory(dir="/dev/shm") as here:
        _expect_doubt(Path(here), "no device counts the reads")


def _expect_doubt(root, reason):
    content = os.urandom(SIZE)
    folder = this_computer().pin(root)
    _carry(folder, content)
    (read,), evidence = _cold(folder, "light.fits")
    folder.close()
    assert read == content
    assert evidence.read_back is ReadBack.PERHAPS_MEMORY
    assert reason in evidence.method


@pytest.mark.parametrize("kind", WITH_A_DEVICE)
def test_pages_that_another_program_holds_are_seen_to_stay(volumes, kind):
    content = os.urandom(50_000)
    with volumes(kind) as drive:
        folder = this_computer().pin(drive.path)
        _carry(folder, content)
        with (drive.path / "light.fits").open("rb") as file:
            held = mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ)
            assert held[:] == content
            _, evidence = _cold(folder, "light.fits")
            held.close()
        assert evidence.read_back is ReadBack.PERHAPS_MEMORY
        assert "stayed in memory" in evidence.method
        _, evidence = _cold(folder, "light.fits")
        assert evidence.read_back is ReadBack.MEDIUM
        folder.close()


@pytest.mark.parametrize("kind", ["exfat", "ntfs"])
def test_a_user_who_may_not_read_the_device_is_told(volumes, kind):
    with volumes(kind) as drive:
        content = os.urandom(50_000)
        folder = this_computer().pin(drive.path)
        _carry(folder, content)
        folder.close()
        drive.path.parent.chmod(0o755)
        with _nobody():
            folder = this_computer().pin(drive.path)
            (read,), evidence = _cold(folder, "light.fits")
            folder.close()
        assert read == content
        assert evidence.read_back is ReadBack.PERHAPS_MEMORY
        assert f"this user may not read {drive.device}" in evidence.method


@contextlib.contextmanager
def _nobody():
    """Be a user without any rights for a while."""
    groups = os.getgroups()
    os.setgroups([])
    os.setegid(65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)


def _mount(file_system="ext4", source="/dev/sdb1"):
    return Mount(os.makedev(8, 17), "/media/stick", file_system, source)


def _stat_file(folder, sectors_read):
    (folder / "stat").write_text(f"  210  0  {sectors_read}  44  12  0  96  8  0  40  52\n")
    return folder / "stat"


@pytest.mark.parametrize(
    ("served", "read", "doubt"),
    [
        (8192, 8192 * 512, ""),
        (8192, 8192 * 512 + 511, ""),  # the end of a file that fills no sector
        (8191, 8192 * 512, "the device served less than was read"),
        (0, 0, ""),
    ],
)
def test_a_device_s_count_is_held_against_what_was_read(tmp_path, served, read, doubt):
    watch = ColdWatch(_mount(), _stat_file(tmp_path, 1000), None)
    watch.chill()
    watch.count(read // 2)
    watch.count(read - read // 2)
    _stat_file(tmp_path, 1000 + served)
    assert watch.doubt() == doubt


def test_a_count_that_cannot_be_read_is_a_doubt(tmp_path):
    watch = ColdWatch(_mount(), _stat_file(tmp_path, 1000), None)
    watch.chill()
    (tmp_path / "stat").write_text("0 0\n")
    assert watch.doubt().startswith("no device counts")


def test_nothing_is_backed_before_the_device_s_cache_was_emptied(tmp_path):
    watch = ColdWatch(_mount(), _stat_file(tmp_path, 1000), None)
    _stat_file(tmp_path, 9000)
    assert watch.doubt().startswith("no device counts")


# A file that cannot be read


def test_a_file_that_is_not_there_does_not_keep_the_others_from_being_read(volumes):
    content = os.urandom(50_000)
    with volumes("ext4") as drive:
        folder = this_computer().pin(drive.path)
        _carry(folder, content)
        (drive.path / "folder.fits").mkdir()
        folder.chill()
        with folder.cold(["gone.fits", "light.fits", "folder.fits"]) as group:
            with pytest.raises(FileNotFoundError):
                list(group.blocks("gone.fits"))
            with pytest.raises(OSError, match="not a regular file"):
                list(group.blocks("folder.fits"))
            assert b"".join(bytes(block) for block in group.blocks("light.fits")) == content
            assert group.evidence().read_back is ReadBack.MEDIUM
        folder.close()


def test_a_group_lets_go_of_its_files(tmp_path):
    folder = this_computer().pin(tmp_path)
    for name in ("a", "b"):
        _carry(folder, b"a frame", name)
    before = len(list(Path("/proc/self/fd").iterdir()))
    with folder.cold(["a", "b", "c"]):
        assert len(list(Path("/proc/self/fd").iterdir())) == before + 2
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    folder.close()


# What may be in memory


def _watched(tmp_path, monkeypatch, left):
    """Return a watch on a file system in user space, whose device has so many pages left in its cache."""
    monkeypatch.setattr(linux_cold, "_evict", lambda *_: left)
    device = os.open(tmp_path, os.O_RDONLY)
    watch = ColdWatch(_mount("fuseblk"), _stat_file(tmp_path, 1000), device)
    monkeypatch.setattr(os, "lseek", lambda *_: 0)
    watch.chill()
    os.close(device)
    _stat_file(tmp_path, 9000)
    return watch


@pytest.mark.parametrize(
    ("left", "doubt"),
    [
        (0, ""),
        (3, "3 pages stayed in the device's cache"),
        (None, "this system does not tell what the cache of"),
    ],
)
def test_a_device_whose_cache_did_not_empty_backs_nothing(tmp_path, monkeypatch, left, doubt):
    found = _watched(tmp_path, monkeypatch, left).doubt()
    assert found.startswith(doubt)
    assert bool(found) == bool(doubt)


@pytest.mark.parametrize(
    ("left", "method"),
    [(None, "this system does not tell what is in memory"), (2, "2 pages stayed in memory")],
)
def test_pages_of_a_file_that_stay_or_are_not_told_of_back_nothing(tmp_path, monkeypatch, left, method):
    (tmp_path / "light.fits").write_bytes(b"a frame")
    folder = this_computer().pin(tmp_path)
    watch = ColdWatch(_mount(), _stat_file(tmp_path, 1000), None)
    watch.chill()
    monkeypatch.setattr(linux_cold, "_evict", lambda *_: left)
    group = LinuxColdGroup(folder, ["light.fits"], watch)
    assert group.evidence()[:2] == (ReadBack.PERHAPS_MEMORY, method)
    group.close()
    folder.close()


def test_a_group_that_cannot_be_made_ready_lets_go_of_its_files(tmp_path, monkeypatch):
    def fail(*_):
        raise OSError(5, "Input/output error")

    (tmp_path / "light.fits").write_bytes(b"a frame")
    folder = this_computer().pin(tmp_path)
    before = len(list(Path("/proc/self/fd").iterdir()))
    monkeypatch.setattr(linux_cold, "_evict", fail)
    with pytest.raises(OSError, match="Input/output error"):
        folder.cold(["light.fits"])
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    folder.close()
