"""A drive that was only read: what its driver noted of that, such as access times, is written as well.

A driver writes it by and by, in pieces. Where the drive is pulled before the last one, NTFS may not be
readable any more without a repair.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from transfer.engine.medium import flush_noted


def let_rest(folders: Iterable[Path]) -> None:
    """Flush what reading left to be written on the file systems of these folders, or files; each once.

    Never raises: what could not be read was said, and no claim about a file rests on this.
    """
    seen: set[int] = set()
    for folder in folders:
        with suppress(OSError):
            device = folder.stat().st_dev
            if device not in seen:
                flush_noted(os.fspath(folder if folder.is_dir() else folder.parent))
                seen.add(device)
