"""Files and folders that operating systems leave on a removable drive; they belong to no bag."""

from __future__ import annotations

import os
import stat
from pathlib import Path

# RFC 1740, appendix A: the first four bytes of an AppleDouble header file.
_APPLE_DOUBLE = b"\x00\x05\x16\x07"

# From memory and common practice: no standard lists these.
_FILES = frozenset(
    (".ds_store", ".apdisk", ".volumeicon.icns", "thumbs.db", "ehthumbs.db", "desktop.ini", ".directory")
)
_FOLDERS = frozenset(
    (
        "system volume information",
        "$recycle.bin",
        "recycler",
        ".spotlight-v100",
        ".fseventsd",
        ".trashes",
        ".trash",
        ".temporaryitems",
        ".documentrevisions-v100",
        "lost+found",
        "lost.dir",
    )
)


def is_companion(path: Path) -> bool:
    """Return whether the path is something that another system left beside the real files.

    A `._name` counts only by its content. What cannot be read is not a companion.
    """
    try:
        mode = path.lstat().st_mode
        if stat.S_ISDIR(mode):
            return is_companion_folder(path.name)
        return stat.S_ISREG(mode) and (path.name.lower() in _FILES or _is_apple_double(path))
    except OSError:
        return False


def is_companion_folder(name: str) -> bool:
    """Return whether a folder of this name belongs to a system: its bin, search index or repairs."""
    lowered = name.lower()
    return lowered in _FOLDERS or (lowered.startswith(".trash-") and lowered[7:].isdigit())


def _is_apple_double(path: Path) -> bool:
    if not path.name.startswith("._"):
        return False
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        return os.read(descriptor, len(_APPLE_DOUBLE)) == _APPLE_DOUBLE
    finally:
        os.close(descriptor)
