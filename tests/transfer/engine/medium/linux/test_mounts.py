"""The table of mounts, from recorded lines in the form of the kernel's filesystems/proc.rst, 3.5."""

import os
import sys
from pathlib import Path

import pytest

from transfer.engine.medium.linux.mounts import Mount, is_for_drives, mount_of, mounts

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")

TABLE = r"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw,discard
28 27 0:25 / /tmp rw - tmpfs tmpfs rw
36 35 8:17 / /media/a\040name\011with\134all rw,noatime master:1 propagate_from:2 - fuseblk /dev/sdb1 rw
41 27 0:39 / /media/café rw - fuse.sshfs user@host:/a\040path rw
44 27 0:44 /@home /home rw shared:9 - btrfs /dev/sda2 rw,subvol=/@home
52 27 8:33 / /media/NOT-UNICODE rw - vfat /dev/sdc1 rw
"""


@pytest.fixture
def table(tmp_path):
    (tmp_path / "mountinfo").write_bytes(TABLE.encode().replace(b"NOT-UNICODE", b"\xff"))
    return mounts(tmp_path / "mountinfo")


def test_each_mount_is_read_whatever_its_fields_and_its_name(table):
    assert table[3] == Mount(os.makedev(8, 17), "/media/a name\twith\\all", "fuseblk", "/dev/sdb1")
    assert table[4] == Mount(os.makedev(0, 39), "/media/café", "fuse.sshfs", "user@host:/a path")
    assert [mount.root for mount in table[:3]] == ["/proc", "/", "/tmp"]
    assert os.fsencode(table[6].root) == b"/media/\xff"


def test_a_system_without_a_table_has_no_mounts(tmp_path):
    assert mounts(tmp_path / "mountinfo") == []


def test_the_mounts_of_this_system_are_read():
    assert "/" in {mount.root for mount in mounts()}


@pytest.mark.parametrize(
    ("path", "device", "root"),
    [
        ("/home/night", os.makedev(254, 0), "/"),  # seen before /home was mounted over it
        ("/home/night", os.makedev(0, 44), "/home"),
        ("/home/night", os.makedev(0, 99), "/home"),  # a subvolume has a number of its own
        ("/homework", os.makedev(254, 0), "/"),
        ("/tmp/x", os.makedev(0, 25), "/tmp"),
    ],
)
def test_a_path_is_on_the_mount_that_has_its_device_else_on_the_nearest_above(table, path, device, root):
    assert mount_of(Path(path), device, table).root == root


def test_a_path_on_no_mount_is_on_an_unknown_one():
    assert mount_of(Path("/a/b"), 7, []) == Mount(7, "/", "unknown", "")


@pytest.mark.parametrize(
    ("root", "file_system", "looked_for"),
    [
        ("/media/stick", "exfat", True),
        ("/media/stick", "fuseblk", True),
        ("/", "ext4", True),
        ("/sysadmin/stick", "vfat", True),
        ("/processing", "xfs", True),
        ("/dev/shm", "ext4", False),
        ("/sys/fs/thing", "ext4", False),
        ("/tmp", "tmpfs", False),
        ("/snap/core/1", "squashfs", False),
        ("/mnt/nas", "nfs4", False),  # a server that does not answer would hang the search
        ("/mnt/nas", "fuse.sshfs", False),
    ],
)
def test_a_drive_is_looked_for_where_one_may_be(root, file_system, looked_for):
    assert is_for_drives(Mount(1, root, file_system, "/dev/sdb1")) is looked_for


@pytest.mark.parametrize(
    ("file_system", "in_user_space"), [("fuseblk", True), ("fuse.fusefat", True), ("exfat", False)]
)
def test_a_driver_in_user_space_is_known_by_its_type(file_system, in_user_space):
    assert Mount(1, "/media/stick", file_system, "/dev/sdb1").in_user_space is in_user_space
