"""One place for what the operating system does to a file: durable writes, cold reads, counters, volumes.

Each platform is one small class behind `Medium`; nothing else in the program asks which system it
runs on. Linux is run by the tests. The calls of Windows and macOS follow their vendors' documents and
are tried against recorded answers only.
"""

from __future__ import annotations

import sys

from transfer.engine.medium.base import (
    ColdGroup,
    Evidence,
    Medium,
    PinnedFolder,
    ReadBack,
    Volume,
    drive_has_left,
    drive_is_full,
)

__all__ = [
    "ColdGroup",
    "Evidence",
    "Medium",
    "PinnedFolder",
    "ReadBack",
    "Volume",
    "drive_has_left",
    "drive_is_full",
    "this_computer",
]


def this_computer() -> Medium:
    """Give the medium of the system this runs on."""
    if sys.platform == "win32":
        from transfer.engine.medium.windows import WindowsMedium

        return WindowsMedium()
    if sys.platform == "darwin":
        from transfer.engine.medium.macos import MacMedium

        return MacMedium()
    from transfer.engine.medium.linux import LinuxMedium

    return LinuxMedium()
