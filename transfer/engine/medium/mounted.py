"""Whether a volume has come or gone, or has gained or lost space, at the price of one call."""

from __future__ import annotations

import os


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
