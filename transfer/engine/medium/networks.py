"""Which file systems other computers may have open, too."""

from __future__ import annotations

from pathlib import PurePath

# Types of network file systems, as Linux, macOS and Windows name them; from memory and common practice.
_ON_A_NETWORK = frozenset(
    (
        *("9p", "afpfs", "afs", "ceph", "cifs", "davfs", "fuse.glusterfs", "fuse.sshfs", "glusterfs"),
        *("ncpfs", "nfs", "nfs4", "smb3", "smbfs", "virtiofs", "webdav"),
    )
)


def is_on_a_network(path: PurePath, file_system: str) -> bool:
    r"""Return whether others reach it: by its file system's type, or a path such as `\\server\share`."""
    return file_system.lower() in _ON_A_NETWORK or str(path).startswith("\\\\")
