"""Folders for an index that lasts no longer than a run, and those that killed runs have left."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = "nightferry-index-"
# No run lasts so long: a folder that nothing was written into since then is a dead run's.
_DEAD_AFTER_S = 2 * 86400


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """Lend an empty folder among the system's temporary ones; those of dead runs are removed first.

    What cannot be removed at the end, the next run removes. Raises OSError where none can be made.
    """
    remove_dead()
    with tempfile.TemporaryDirectory(prefix=_PREFIX, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def remove_dead() -> None:
    """Remove the folders that killed runs of this user have left. Never raises."""
    with suppress(OSError):
        for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
            with suppress(OSError):
                if _is_dead(folder):
                    shutil.rmtree(folder, ignore_errors=True)


def _is_dead(folder: Path) -> bool:
    facts = folder.lstat()
    is_own = stat.S_ISDIR(facts.st_mode) and (not hasattr(os, "getuid") or facts.st_uid == os.getuid())
    if not is_own:  # anybody may make what has such a name
        return False
    written = [facts.st_mtime, *(path.lstat().st_mtime for path in folder.iterdir())]
    return time.time() - max(written) > _DEAD_AFTER_S
