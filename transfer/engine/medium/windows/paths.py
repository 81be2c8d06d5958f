r"""Windows' forms of a path: long paths, paths below a pinned folder, drive letters.

Follows Microsoft's "Naming files, paths, and namespaces" and "Maximum path length limitation".
"""

from __future__ import annotations

import errno
import ntpath

_LONG = "\\\\?\\"
_LONG_SHARE = "\\\\?\\UNC\\"
_SHARE = "\\\\"
_DEVICE = "\\\\.\\"

# Part of no name below a pinned folder: `:` would open another stream of a file, `\` another folder.
_NEVER_IN_A_NAME = frozenset('\\:/\0*?<>|"')


def extended(path: str) -> str:
    r"""Return an absolute path in the form that Windows takes as it is, at any length.

    Behind `\\?\` nothing is resolved any more, so `/`, `.` and `..` are resolved here. A path that is
    relative, or has such a form already, stays as it is.
    """
    if path.startswith((_LONG, _DEVICE)):
        return path
    plain = ntpath.normpath(path)
    if plain.startswith(_SHARE):
        return _LONG_SHARE + plain.removeprefix(_SHARE)
    drive, rest = ntpath.splitdrive(plain)
    return _LONG + plain if drive and rest.startswith("\\") else path


def plain(path: str) -> str:
    r"""Return a path in the form that people write: without `\\?\`, where there is such a form of it."""
    if path.startswith(_LONG_SHARE):
        return _SHARE + path.removeprefix(_LONG_SHARE)
    rest = path.removeprefix(_LONG)
    return rest if rest[1:2] == ":" else path


def below(root: str, path: str) -> str:
    """Return the path of what lies at `path` (relative, with `/`) below a root in its extended form.

    Raises OSError where a part would lead anywhere else.
    """
    parts = path.split("/") if path else []
    for part in parts:
        if part in ("", ".", "..") or _NEVER_IN_A_NAME.intersection(part):
            raise OSError(errno.EINVAL, "not a name that Windows can hold", path)
    return "\\".join([root.rstrip("\\"), *parts]) if parts else root


def drive_roots(bits: int) -> list[str]:
    r"""Return the roots that GetLogicalDrives tells of: bit 0 is `A:\`."""
    return [f"{chr(ord('A') + bit)}:\\" for bit in range(26) if bits >> bit & 1]


def serial_text(serial: int) -> str:
    """Return a volume's serial number as Windows shows it: 1A2B-3C4D."""
    return f"{serial >> 16 & 0xFFFF:04X}-{serial & 0xFFFF:04X}"
