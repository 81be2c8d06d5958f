"""Whether a path that a manifest names stays inside its bag, and is an ordinary file there."""

from __future__ import annotations

import errno
import io
import os
import re
import stat
from pathlib import Path

_SEPARATORS = re.compile(r"[/\\]")
_DRIVE_LETTER = re.compile(r"[A-Za-z]:")
# Microsoft, "Naming Files, Paths, and Namespaces": reserved with any extension, in any case.
_DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [f"{port}{number}" for port in ("COM", "LPT") for number in "123456789¹²³"]
)


class NotOrdinary(OSError):
    """A path does not lead to an ordinary file inside the folder; nothing was read."""

    def __init__(self, reason: str, path: object) -> None:
        super().__init__(errno.EINVAL, reason, str(path))
        self.reason = reason


def danger(path: str) -> str:
    """Return why a path must not be followed on any system; empty where it may (RFC 8493, section 5.2).

    The path is relative to a bag, and decoded.
    """
    if not path or "\0" in path:
        return "is empty or holds a NUL"
    if path[0] in "/\\":
        return "is absolute"
    if path[0] == "~":
        return "starts at a home folder"
    if _DRIVE_LETTER.match(path):
        return "starts with a drive letter"
    if ".." in _SEPARATORS.split(path):
        return "climbs out of its folder"
    return ""


def suspicion(path: str, *, windows: bool = os.name == "nt") -> str:
    """Return why a path is an ordinary name on one system and not on another; empty where it is on all.

    Such a path is proven only by a folder that lists exactly that name; on Windows not even then,
    for opening it there opens a device, a stream or another file.
    """
    if "\\" in path:
        return "holds a backslash, which separates folders on some systems"
    for name in path.split("/"):
        if name.split(".")[0].rstrip(" ").upper() in _DEVICES:
            return "names a device of some systems"
        if windows and (":" in name or name.endswith((".", " "))):
            return "means another file on this system"
    return ""


def real_file(folder: Path, path: str) -> Path:
    """Follow the links of a path and return the ordinary file inside `folder` that it leads to.

    Raises NotOrdinary where it leads out of the folder or to something else than a file, and OSError
    where it leads nowhere. Whole parts are compared: `bag-evil` is not inside `bag`.
    """
    real = Path(os.path.realpath(folder / path, strict=True))
    if not real.is_relative_to(os.path.realpath(folder, strict=True)):
        raise NotOrdinary("is a link that leads out of the bag", folder / path)
    if not stat.S_ISREG(real.lstat().st_mode):
        raise NotOrdinary("is not an ordinary file", folder / path)
    return real


def open_ordinary(path: Path) -> io.FileIO:
    """Open an ordinary file for reading, unbuffered; anything else is refused without blocking.

    Raises NotOrdinary for a FIFO, device, socket or folder, and OSError as `open` does.
    """
    # Without O_NONBLOCK, opening a FIFO waits for a writer that never comes; files don't heed it.
    wanted = ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY", "O_NOINHERIT")
    flags = os.O_RDONLY
    for name in wanted:
        flags |= getattr(os, name, 0)
    if not stat.S_ISREG(path.stat().st_mode):
        raise NotOrdinary("is not an ordinary file", path)
    descriptor = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise NotOrdinary("is not an ordinary file", path)
    return io.FileIO(descriptor)


def read_small(path: Path, most_bytes: int) -> bytes:
    """Return the content of an ordinary file that has at most so many bytes.

    Raises NotOrdinary, and OSError as `open` does and for a larger file.
    """
    with io.BufferedReader(open_ordinary(path)) as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, "is larger than such a file can be", str(path))
    return content
