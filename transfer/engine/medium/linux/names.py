"""What file system lies behind a driver in user space, which Linux itself calls only fuseblk."""

from __future__ import annotations

import os
import re
from pathlib import Path

from transfer.engine.medium.linux.mounts import Mount

_UDEV_DATA = Path("/run/udev/data")
_ID_FS_TYPE = re.compile(r"^E:ID_FS_TYPE=(\w+)$", re.MULTILINE)
_SECTOR_BYTES = 512

# Where a boot sector says what it begins: Microsoft's "exFAT file system specification" 3.1.2, and
# its FAT specification (fatgen103), BS_FilSysType of FAT32 and of FAT12 and FAT16; NTFS by common knowledge.
_MAGIC = (
    (3, b"EXFAT   ", "exfat"),
    (3, b"NTFS    ", "ntfs"),
    (82, b"FAT32   ", "vfat"),
    (54, b"FAT16   ", "vfat"),
    (54, b"FAT12   ", "vfat"),
)


def file_system_of(mount: Mount, udev_data: Path = _UDEV_DATA) -> str:
    """Return a mount's file system by the kernel's name for it, through a driver in user space too.

    The device manager knows it, or the device's first sector where this user may read it; else it
    stays "fuseblk".
    """
    if mount.file_system != "fuseblk":
        return mount.file_system
    return (
        _as_udev_says(mount.device, udev_data) or _as_the_boot_sector_says(mount.source) or mount.file_system
    )


def _as_udev_says(device: int, udev_data: Path) -> str | None:
    """Read the device manager's record: a line `E:ID_FS_TYPE=exfat` in bMAJOR:MINOR."""
    try:
        text = (udev_data / f"b{os.major(device)}:{os.minor(device)}").read_text(errors="replace")
    except OSError:
        return None
    found = _ID_FS_TYPE.search(text)
    return found[1] if found else None


def _as_the_boot_sector_says(source: str) -> str | None:
    try:
        with Path(source).open("rb", buffering=0) as device:
            sector = device.read(_SECTOR_BYTES)
    except OSError:
        return None
    return name_in_boot_sector(sector)


def name_in_boot_sector(sector: bytes) -> str | None:
    """Return the file system that a volume's first sector names; None where it names none that is known."""
    return next((name for at, magic, name in _MAGIC if sector[at : at + len(magic)] == magic), None)
