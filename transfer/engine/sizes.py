"""Sizes of files below a pinned folder, a folder at a time: cheaper than a look at each file."""

from __future__ import annotations

from transfer.engine.medium import PinnedFolder


class Sizes:
    """Remembers the sizes in each folder that it was asked about: they are as they were then."""

    def __init__(self, folder: PinnedFolder) -> None:
        self._folder = folder
        self._of: dict[str, dict[str, int]] = {}

    def of(self, path: str) -> int | None:
        """Return a file's size in bytes; None where it is not there. Raises OSError."""
        folder, _, name = path.rpartition("/")
        if folder not in self._of:
            self._of[folder] = self._folder.sizes(folder)
        return self._of[folder].get(name)
