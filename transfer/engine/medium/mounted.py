"""Whether a volume has come or gone, or has gained or lost space, and what a look at it leaves to be written.

Each costs a call or two: it is asked before anything else is loaded.
"""

from __future__ import annotations

import contextlib
import os
import sys


def mounted_now() -> str | None:
    """Give a text that changes when a volume is mounted or leaves; None where it is not told cheaply."""
    table, folder = "/proc/self/mountinfo", "/Volumes"
    try:
        if os.path.exists(table):  # noqa: PTH110 - this is asked before anything else is loaded
            with open(table, encoding="utf-8", errors="surrogateescape") as file:  # noqa: PTH123 - likewise
                return file.read()
        return "\n".join(sorted(os.listdir(folder)))  # noqa: PTH208 - names are all it takes
    except OSError:
        return None


def free_blocks(root: str) -> int | None:
    """Give how many blocks the volume has free; None where the system does not say. Raises OSError."""
    return os.statvfs(root).f_bfree if hasattr(os, "statvfs") else None


def flush_noted(root: str) -> None:
    """Flush what the driver noted when files were read, such as their access times. Raises OSError.

    Nothing to do on Windows, whose driver keeps a log of what it is about to change.
    """
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        if sys.platform == "linux":
            from transfer.engine.medium.linux_calls import syncfs

            syncfs(descriptor)
        _flush(descriptor)  # syncfs reaches no driver in user space
    finally:
        os.close(descriptor)


def _flush(descriptor: int) -> None:
    if sys.platform == "darwin":
        import fcntl

        # fsync leaves it in the drive's own memory (fsync(2) of macOS); not every file system knows this.
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)
