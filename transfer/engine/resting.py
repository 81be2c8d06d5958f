"""A drive that was only read: what its driver noted of that, such as access times, is written as well.

A driver writes it by and by, in pieces. Where the drive is pulled before the last one, NTFS may not be
readable any more without a repair.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing, suppress
from pathlib import Path

from transfer.engine.medium import Medium
from transfer.errors import NightferryError


def let_rest(medium: Medium, folders: Iterable[Path]) -> None:
    """Bring to the medium what reading below these folders left to be written, once for each file system.

    Never raises: what can't be written to has nothing under way, and what fails was said when it was read.
    """
    seen: set[int] = set()
    for folder in folders:
        with suppress(OSError, NightferryError):
            device = folder.stat().st_dev
            if device not in seen:
                seen.add(device)
                with closing(medium.pin(folder if folder.is_dir() else folder.parent)) as pinned:
                    pinned.flush_folders([""])
