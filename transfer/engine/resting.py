"""A drive that was only read: what its driver noted of that, such as access times, is written as well.

A driver writes it by and by, in pieces. Where the drive is pulled before the last one, NTFS may not be
readable any more without a repair.
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from contextlib import closing, suppress
from pathlib import Path

from transfer.engine.medium import Medium, PinnedFolder
from transfer.errors import NightferryError


def flush_noted_in(folder: PinnedFolder) -> None:
    """Bring to the medium what reading left to be written: nothing, where it is write-protected.

    Raises OSError where the flush fails.
    """
    try:
        folder.flush_folders([""])
    except OSError as error:
        if error.errno != errno.EROFS:
            raise


def let_rest(medium: Medium, folders: Iterable[Path]) -> None:
    """Flush what reading below these folders left to be written, once for each file system.

    Never raises: what could not be read was said, and no claim rests on this.
    """
    seen: set[int] = set()
    for folder in folders:
        with suppress(OSError, NightferryError):
            device = folder.stat().st_dev
            if device not in seen:
                seen.add(device)
                with closing(medium.pin(folder if folder.is_dir() else folder.parent)) as pinned:
                    flush_noted_in(pinned)
