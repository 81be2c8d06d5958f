"""What a file system can hold: sizes, names, paths and times."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from enum import StrEnum

_GIB = 1 << 30
_TIB = 1 << 40
_EIB = 1 << 60
_FORBIDDEN_TO_WINDOWS = frozenset('"*/:<>?\\|') | frozenset(map(chr, range(32)))


class NameUnit(StrEnum):
    """What a file system counts the length of a name in."""

    UTF_16 = "UTF-16 units"
    UTF_16_DECOMPOSED = "UTF-16 units, letters and their accents counted apart"
    UTF_8 = "bytes"


@dataclass(frozen=True, slots=True)
class FileSystemLimits:
    """What one type of file system can hold; None where it sets no limit that a transfer can meet.

    `largest_file_bytes` is the largest file, `time_step_ns` the step of a modification time.
    A name has at most `longest_name` and a path at most `longest_path` of `name_unit`;
    `windows_names` tells whether the characters that Windows forbids are forbidden.
    """

    name: str
    largest_file_bytes: int | None
    time_step_ns: int
    longest_name: int = 255
    longest_path: int | None = None
    name_unit: NameUnit = NameUnit.UTF_16
    windows_names: bool = False


# Microsoft's "exFAT file system specification" and "Naming files, paths, and namespaces" for names,
# sizes and the steps of 2 s and 10 ms; FAT32's exact size from a secondary source. From memory of
# "File system functionality comparison": the 100 ns of NTFS and the 32,760 units of a path.
FAT32 = FileSystemLimits("FAT32", 4 * _GIB - 1, 2_000_000_000, longest_path=32_760, windows_names=True)
EXFAT = FileSystemLimits("exFAT", 16 * _EIB - 1, 10_000_000, longest_path=32_760, windows_names=True)
NTFS = FileSystemLimits("NTFS", 16 * _EIB - 1, 100, longest_path=32_760, windows_names=True)
# The type Linux reports for any driver in user space that sits on a device: the tighter limits of both.
# exfat-fuse keeps whole seconds (measured), where the file system could do better.
EXFAT_OR_NTFS = replace(EXFAT, name="exFAT or NTFS", time_step_ns=1_000_000_000)

# Linux: 255 bytes a name (NAME_MAX), 4,096 bytes a path with its ending zero (PATH_MAX), limits.h.
# Sizes from memory of the kernel's documents, for blocks of 4 KiB.
EXT4 = FileSystemLimits("ext4", 16 * _TIB, 1, longest_path=4095, name_unit=NameUnit.UTF_8)
EXT3 = replace(EXT4, name="ext2 or ext3", largest_file_bytes=2 * _TIB, time_step_ns=1_000_000_000)
XFS = replace(EXT4, name="XFS", largest_file_bytes=8 * _EIB - 1)
BTRFS = replace(EXT4, name="Btrfs", largest_file_bytes=16 * _EIB - 1)

# From memory of the vendor's guides: 255 UTF-16 units in decomposed form and whole seconds on HFS+,
# 255 bytes on APFS; 1,024 bytes a path with its ending zero is macOS's PATH_MAX.
HFS_PLUS = FileSystemLimits("HFS+", 8 * _EIB - 1, 1_000_000_000, name_unit=NameUnit.UTF_16_DECOMPOSED)
APFS = FileSystemLimits("APFS", 8 * _EIB - 1, 1, longest_path=1023, name_unit=NameUnit.UTF_8)

_BY_TYPE = {
    "fat": FAT32,
    "fat32": FAT32,
    "vfat": FAT32,
    "msdos": FAT32,
    "fuse.fusefat": FAT32,
    "exfat": EXFAT,
    "fuse.exfat": EXFAT,
    "ntfs": NTFS,
    "ntfs3": NTFS,
    "fuse.ntfs": NTFS,
    "fuse.ntfs-3g": NTFS,
    "ufsd_ntfs": NTFS,
    "fuseblk": EXFAT_OR_NTFS,
    "ext2": EXT3,
    "ext3": EXT3,
    "ext4": EXT4,
    "xfs": XFS,
    "btrfs": BTRFS,
    "hfs": HFS_PLUS,
    "hfsplus": HFS_PLUS,
    "apfs": APFS,
}


def limits_of(type_name: str) -> FileSystemLimits | None:
    """Return the limits of a file system by its type, as Linux, macOS or Windows names it.

    None where the type is not known, and for network shares: what is behind one cannot be told.
    """
    return _BY_TYPE.get(type_name.lower())


def cannot_hold(limits: FileSystemLimits, path: str, size_bytes: int) -> str | None:
    """Say why the file system cannot hold a file at this path (with `/`), or return None where it can."""
    largest = limits.largest_file_bytes
    if largest is not None and size_bytes > largest:
        return f"It has {size_bytes:,} bytes; {limits.name} holds at most {largest:,} bytes in one file."
    for name in path.split("/"):
        reason = _bad_name(limits, name)
        if reason:
            return reason
    length = _length(limits.name_unit, path)
    if limits.longest_path is not None and length > limits.longest_path:
        return f"Its path is {length:,} {limits.name_unit} long; at most {limits.longest_path:,} can be used."
    return None


def _bad_name(limits: FileSystemLimits, name: str) -> str | None:
    length = _length(limits.name_unit, name)
    if length > limits.longest_name:
        shown = f"{name[:40]!r}…"
        at_most = f"{limits.name} holds at most {limits.longest_name}"
        return f"The name {shown} is {length:,} {limits.name_unit} long; {at_most}."
    forbidden = sorted(_FORBIDDEN_TO_WINDOWS.intersection(name)) if limits.windows_names else []
    if forbidden:
        return f"The name {name!r} has {forbidden[0]!r} in it, which {limits.name} cannot hold."
    return None


def _length(unit: NameUnit, text: str) -> int:
    if unit is NameUnit.UTF_8:
        return len(text.encode("utf-8", "replace"))  # a byte that is not UTF-8 counts as one
    counted = unicodedata.normalize("NFD", text) if unit is NameUnit.UTF_16_DECOMPOSED else text
    return len(counted.encode("utf-16-le", "surrogatepass")) // 2
