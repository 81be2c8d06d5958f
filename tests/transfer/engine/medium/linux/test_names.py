"""What lies behind a driver in user space is named: by recorded answers, and on real images and volumes."""

import os
import subprocess

import pytest

from tests.support.volumes import need_tools
from transfer.engine.limits import EXFAT, NTFS, limits_of
from transfer.engine.medium import this_computer
from transfer.engine.medium.linux.mounts import Mount
from transfer.engine.medium.linux.names import file_system_of, name_in_boot_sector

# What a device manager keeps of a stick with one partition (shortened; the identifiers are invented).
RECORD = """S:disk/by-uuid/1A2B-3C4D
W:14
I:8412077
E:ID_FS_UUID=1A2B-3C4D
E:ID_FS_VERSION=1.0
E:ID_FS_TYPE=exfat
E:ID_FS_USAGE=filesystem
G:systemd
"""


def _mount(file_system="fuseblk", source="/nowhere"):
    return Mount(os.makedev(8, 17), "/media/stick", file_system, str(source))


def _udev(folder, text, name="b8:17"):
    (folder / name).write_text(text)
    return folder


def test_the_device_manager_s_word_is_taken(tmp_path):
    assert file_system_of(_mount(), _udev(tmp_path, RECORD)) == "exfat"


def test_another_device_s_record_is_not_taken(tmp_path):
    assert file_system_of(_mount(), _udev(tmp_path, RECORD, "b8:1")) == "fuseblk"


@pytest.mark.parametrize("line", ["E:ID_FS_TYPE=", "E:ID_FS_TYPE_OF_OTHERS=exfat", "E:OLD_ID_FS_TYPE=exfat"])
def test_a_record_that_does_not_name_the_type_is_not_taken(tmp_path, line):
    assert file_system_of(_mount(), _udev(tmp_path, f"{line}\n")) == "fuseblk"


def test_a_name_that_the_kernel_gives_itself_stays(tmp_path):
    assert file_system_of(_mount("ext4"), _udev(tmp_path, RECORD)) == "ext4"
    assert file_system_of(_mount("fuse.sshfs"), _udev(tmp_path, RECORD)) == "fuse.sshfs"


def test_the_boot_sector_is_asked_where_no_record_is_kept(tmp_path):
    image = tmp_path / "image"
    image.write_bytes(b"\xeb\x76\x90EXFAT   " + bytes(501))
    assert file_system_of(_mount(source=image), tmp_path) == "exfat"


@pytest.mark.parametrize("sector", [b"", b"\xeb\x52\x90NTFS", bytes(512), b"NTFS    " + bytes(504)])
def test_a_sector_that_names_nothing_gives_no_name(sector):
    assert name_in_boot_sector(sector) is None


@pytest.mark.parametrize(
    ("command", "megabytes", "name"),
    [
        (["mkfs.exfat"], 8, "exfat"),
        (["mkntfs", "-F", "-q", "-f"], 8, "ntfs"),
        (["mkfs.vfat", "-F32"], 40, "vfat"),
        (["mkfs.vfat", "-F16"], 16, "vfat"),
        (["mkfs.vfat", "-F12"], 2, "vfat"),
    ],
)
def test_an_image_made_by_the_system_s_own_tools_is_named(tmp_path, command, megabytes, name):
    need_tools(command[0])
    image = tmp_path / "image"
    image.write_bytes(b"")
    os.truncate(image, megabytes << 20)
    path = f"{os.environ['PATH']}:/usr/sbin:/sbin"
    subprocess.run([*command, image], check=True, capture_output=True, env={"PATH": path})
    with image.open("rb") as file:
        assert name_in_boot_sector(file.read(512)) == name


@pytest.mark.parametrize(
    ("kind", "name", "limits"), [("exfat", "exfat", EXFAT), ("ntfs", "ntfs", NTFS), ("ext4", "ext4", None)]
)
def test_a_mounted_volume_is_named_and_its_limits_are_known(volumes, kind, name, limits):
    with volumes(kind) as drive:
        (drive.path / "2026-03-14").mkdir()
        volume = this_computer().volume_of(drive.path / "2026-03-14")
        listed = [each for each in this_computer().volumes() if each.root == drive.path]
    assert (volume.root, volume.file_system, volume.device) == (drive.path, name, drive.device)
    assert listed == [volume]
    assert limits is None or limits_of(volume.file_system) is limits
