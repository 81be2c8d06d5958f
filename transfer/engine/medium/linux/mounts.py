"""What /proc/self/mountinfo says (Linux Documentation/filesystems/proc.rst, 3.5)."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

_MOUNT_TABLE = Path("/proc/self/mountinfo")
_ESCAPE = re.compile(r"\\([0-7]{3})")

# Never a place for a drive: made up by the kernel, or not asked about unless it is named, since a
# server that does not answer would hang the search.
_MADE_UP = (
    *("autofs", "binfmt_misc", "bpf", "cgroup", "cgroup2", "configfs", "debugfs", "devpts", "devtmpfs"),
    *("efivarfs", "fusectl", "hugetlbfs", "mqueue", "nsfs", "overlay", "proc", "pstore", "ramfs"),
    *("rpc_pipefs", "securityfs", "squashfs", "sysfs", "tmpfs", "tracefs"),
)
_REMOTE = ("9p", "afs", "ceph", "cifs", "davfs", "fuse.sshfs", "nfs", "nfs4", "smb3", "smbfs", "virtiofs")
_NOT_FOR_DRIVES = frozenset(_MADE_UP + _REMOTE)
_KERNEL_FOLDERS = ("/proc", "/sys", "/dev")


@dataclass(frozen=True, slots=True)
class Mount:
    """One mounted file system. `device` is its st_dev; `source` what was mounted."""

    device: int
    root: str
    file_system: str
    source: str

    @property
    def in_user_space(self) -> bool:
        """Whether a daemon stands between the kernel and the medium."""
        return self.file_system.startswith("fuse")


def mounts(table: Path = _MOUNT_TABLE) -> list[Mount]:
    """List what is mounted, the latest last; empty where the system does not say."""
    try:
        lines = table.read_bytes().splitlines()
    except OSError:
        return []
    return [_mount(os.fsdecode(line)) for line in lines]


def _mount(line: str) -> Mount:
    before, _, after = line.partition(" - ")
    major, _, minor = before.split(" ")[2].partition(":")
    file_system, source = after.split(" ")[:2]
    root = _plain(before.split(" ")[4])
    return Mount(os.makedev(int(major), int(minor)), root, file_system, _plain(source))


def _plain(escaped: str) -> str:
    """Undo the octal escapes of space, tab, line end and backslash."""
    return _ESCAPE.sub(lambda found: chr(int(found[1], 8)), escaped)


def mount_of(path: Path, device: int, table: list[Mount]) -> Mount:
    """Return the mount a resolved path with this st_dev is on.

    The device decides; where two mounts share it, or none has it (as on some layered file systems),
    the longest mount point above the path does.
    """
    above = [mount for mount in table if path.is_relative_to(mount.root)]
    same = [mount for mount in above if mount.device == device]
    unknown = Mount(device, path.anchor, "unknown", "")
    return max(same or above, key=lambda mount: len(mount.root), default=unknown)


def is_for_drives(mount: Mount) -> bool:
    """Return whether a prepared drive is looked for on this mount."""
    here = Path(mount.root)
    return mount.file_system not in _NOT_FOR_DRIVES and not any(map(here.is_relative_to, _KERNEL_FOLDERS))
