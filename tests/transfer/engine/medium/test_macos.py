"""The choices made on macOS, against answers recorded by hand from Apple's fcntl(2) and mount(8).

Not run on macOS here: what is tried is which calls are made, in which order, and what follows an error.
"""

import errno
import os
import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("POSIX only", allow_module_level=True)

from transfer.engine.medium import ReadBack
from transfer.engine.medium.base import Volume, write_all
from transfer.engine.medium.macos import F_FULLFSYNC, F_NOCACHE, MacFolder, MacMedium, mounted_volumes

TABLE = """/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)
devfs on /dev (devfs, local, nobrowse)
/dev/disk3s5 on /System/Volumes/Data (apfs, local, journaled, nobrowse, protect, root data)
map auto_home on /System/Volumes/Data/home (autofs, automounted, nobrowse)
/dev/disk4s1 on /Volumes/NIGHTS (1) on the road (exfat, local, nodev, nosuid, noowners, noatime, fskit)
//user@nas/frames on /Volumes/frames (smbfs, nodev, nosuid, mounted by user)
/dev/disk5s2 on /Volumes/OLD (msdos)
"""


class Answers:
    """Stands for fcntl(2): keeps what was asked, and refuses what it is told to refuse."""

    def __init__(self, **refused):
        self.asked = []
        self.refused = {F_NOCACHE: refused.get("no_cache"), F_FULLFSYNC: refused.get("full_flush")}

    def __call__(self, descriptor, command, argument):
        self.asked.append((descriptor, command, argument))
        if self.refused[command] is not None:
            raise OSError(self.refused[command], os.strerror(self.refused[command]))


def _written(folder, content=b"a frame"):
    descriptor = folder.create_file("light.fits")
    write_all(descriptor, content)
    return descriptor


def test_a_file_is_kept_out_of_the_cache_from_its_first_byte(tmp_path):
    answers = Answers()
    folder = MacFolder(tmp_path, answers)
    descriptor = folder.create_file("light.fits")
    assert answers.asked == [(descriptor, F_NOCACHE, 1)]
    os.close(descriptor)
    folder.close()


def test_a_flush_asks_the_drive_to_empty_its_own_cache(tmp_path):
    answers = Answers()
    folder = MacFolder(tmp_path, answers)
    descriptor = _written(folder)
    answers.asked.clear()
    folder.flush_files([descriptor])
    assert answers.asked == [(descriptor, F_FULLFSYNC, 0)]
    folder.flush_folders([""])
    assert answers.asked[1:] == [(folder.descriptor, F_FULLFSYNC, 0)]
    os.close(descriptor)
    folder.close()


@pytest.fixture
def pipe():
    """A descriptor that fsync refuses with EINVAL, so that it shows whether fsync was asked."""
    reading, writing = os.pipe()
    yield writing
    os.close(reading)
    os.close(writing)


@pytest.mark.parametrize("code", [errno.ENOTSUP, errno.ENOTTY])
def test_a_file_system_that_knows_no_full_flush_gets_an_ordinary_one(tmp_path, pipe, code):
    folder = MacFolder(tmp_path, Answers(full_flush=code))
    with pytest.raises(OSError, match="Invalid argument"):
        folder.flush_files([pipe])
    descriptor = _written(folder)
    folder.flush_files([descriptor])
    os.close(descriptor)
    folder.close()


def test_a_flush_that_failed_is_never_tried_again(tmp_path, pipe):
    answers = Answers(full_flush=errno.EIO)
    folder = MacFolder(tmp_path, answers)
    with pytest.raises(OSError, match="Input/output error"):
        folder.flush_files([pipe])
    assert len(answers.asked) == 1
    folder.close()


def test_a_cold_read_keeps_out_of_the_cache_and_claims_no_more_than_it_can(tmp_path):
    answers = Answers()
    folder = MacFolder(tmp_path, answers)
    content = os.urandom((2 << 20) + 5)
    os.close(_written(folder, content))
    answers.asked.clear()
    folder.chill()
    with folder.cold(["light.fits"]) as group:
        assert b"".join(bytes(block) for block in group.blocks("light.fits")) == content
        assert group.evidence().read_back is ReadBack.PERHAPS_MEMORY
    assert [asked[1:] for asked in answers.asked] == [(F_NOCACHE, 1)]
    folder.close()


def test_a_file_system_that_cannot_do_without_its_cache_still_takes_files(tmp_path):
    folder = MacFolder(tmp_path, Answers(no_cache=errno.ENOTSUP))
    os.close(_written(folder))
    with folder.cold(["light.fits"]) as group:
        assert b"".join(bytes(block) for block in group.blocks("light.fits")) == b"a frame"
    folder.close()


def test_whether_a_source_is_being_written_cannot_be_told(tmp_path):
    (tmp_path / "log.txt").touch()
    descriptor = MacMedium().open_source(str(tmp_path / "log.txt"))
    assert MacMedium().is_being_written(descriptor) is None
    os.close(descriptor)


# Volumes


def test_volumes_are_read_whatever_is_in_their_names():
    assert Volume(Path("/Volumes/NIGHTS (1) on the road"), "exfat", "/dev/disk4s1") in mounted_volumes(TABLE)
    assert Volume(Path("/Volumes/OLD"), "msdos", "/dev/disk5s2") in mounted_volumes(TABLE)
    assert len(mounted_volumes(TABLE)) == 7


def test_a_drive_is_looked_for_on_devices_alone():
    roots = [str(volume.root) for volume in MacMedium(lambda: TABLE).volumes()]
    assert roots == ["/", "/System/Volumes/Data", "/Volumes/NIGHTS (1) on the road", "/Volumes/OLD"]


def test_a_path_is_on_the_nearest_volume_above(tmp_path):
    (tmp_path / "stick/night").mkdir(parents=True)
    table = f"{TABLE}/dev/disk9s1 on {tmp_path.resolve()}/stick (exfat, local)\n"
    medium = MacMedium(lambda: table)
    stick = Volume(tmp_path.resolve() / "stick", "exfat", "/dev/disk9s1")
    assert medium.volume_of(tmp_path / "stick/night") == stick
    assert medium.volume_of(tmp_path).root == Path("/")
    assert MacMedium(str).volume_of(tmp_path) == Volume(Path("/"), "", "")
