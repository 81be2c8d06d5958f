"""Which file systems other computers may have open, too."""

from __future__ import annotations

from pathlib import PurePosixPath, PureWindowsPath

import pytest

from transfer.engine.medium.networks import is_on_a_network


@pytest.mark.parametrize("file_system", ["nfs4", "CIFS", "smbfs", "fuse.sshfs", "9p"])
def test_a_share_is_on_a_network(file_system: str) -> None:
    assert is_on_a_network(PurePosixPath("/mnt/archive"), file_system)


@pytest.mark.parametrize("file_system", ["ext4", "NTFS", "apfs", "fuse.exfat", ""])
def test_a_disk_is_not(file_system: str) -> None:
    assert not is_on_a_network(PurePosixPath("/mnt/archive"), file_system)


def test_a_share_by_its_path_is_whatever_its_type() -> None:
    assert is_on_a_network(PureWindowsPath(r"\\server\share\archive"), "NTFS")
    assert not is_on_a_network(PureWindowsPath(r"D:\archive"), "NTFS")
