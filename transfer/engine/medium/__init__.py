"""One place for what the operating system does to a file: durable writes, cold reads, counters, volumes.

Each platform is one small class behind `Medium`; nothing else in the program asks which system it
runs on. Linux is run by the tests. The calls of Windows and macOS follow their vendors' documents and
are tried against recorded answers, those of Windows also under Wine.
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
    "flush_noted",
    "this_computer",
]


def this_computer() -> Medium:
    """Return the medium of the system this runs on."""
    if sys.platform == "win32":
        from transfer.engine.medium.windows.medium import WindowsMedium

        return WindowsMedium()
    if sys.platform == "darwin":
        from transfer.engine.medium.macos import MacMedium

        return MacMedium()
    from transfer.engine.medium.linux.medium import LinuxMedium

    return LinuxMedium()


def flush_noted(root: str) -> None:
    """Flush what the driver noted when files were read, such as their access times. Raises OSError.

    Nothing to do on Windows, whose driver keeps a log of what it is about to change.
    """
    if sys.platform == "win32":
        return
    if sys.platform == "darwin":
        from transfer.engine.medium.macos import flush_from
    else:
        from transfer.engine.medium.linux.calls import flush_from
    flush_from(root)
