"""Whether files of the archive are there now: each folder is listed once, not each file looked at."""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path

from transfer.engine.medium.looking import HERE, Spelling

# Frames come in order of time, and in one night from few folders.
_FOLDERS_KEPT = 64


class Presence:
    """Says which files below an archive's folder are there."""

    def __init__(self, root: Path, spelling: Spelling = HERE) -> None:
        self._root = spelling.asked(str(root))
        self._names_in = lru_cache(maxsize=_FOLDERS_KEPT)(_names_in)

    def has(self, bag: str, path: str) -> bool:
        """Return whether a bag's file is there, by the paths of both; True where that cannot be seen."""
        # Behind Windows' form for long paths `.`, which stands for an archive that is one bag, is a name.
        folders = () if bag == "." else bag.split("/")
        whole = os.path.join(self._root, *folders, *path.split("/"))  # noqa: PTH118 - there may be a million
        folder, name = os.path.split(whole)
        names = self._names_in(folder)
        # A name may be listed in another case or normal form than the file system's own.
        return names is None or name in names or os.path.lexists(whole)


def _names_in(folder: str) -> frozenset[str] | None:
    """Return the names in a folder, none where it is not there; None where this user may not list it."""
    try:
        return frozenset(os.listdir(folder))  # noqa: PTH208 - likewise
    except PermissionError:
        return None
    except OSError:
        return frozenset()
