"""Reading the files of a bag past the caches, one after the other, and what backs that."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from manifests.bags.digests import Block
from manifests.bags.hashing import read_plainly
from transfer.engine.medium import Evidence, Medium, PinnedFolder, ReadBack


class ColdReader:
    """Reads files below one folder from the medium, as far as the system can tell. Raises OSError."""

    def __init__(self, medium: Medium, folder: Path) -> None:
        self._root = folder
        self._folder: PinnedFolder = medium.pin(folder)
        self._folder.chill()
        self._doubts: set[str] = set()
        self._methods: set[str] = set()
        self._remedies: set[str] = set()

    def read(self, path: Path) -> Iterator[Block]:
        """Read one file, in order; a block is valid until the next is asked for."""
        if path.is_symlink():
            # Somebody else's bag: what it leads to was found to lie inside, and is read as it comes.
            self._doubts.add("a link was followed")
            yield from read_plainly(path)
            return
        below = self._below(path)
        with self._folder.cold([below]) as group:
            yield from group.blocks(below)
            self._keep(group.evidence())

    def _below(self, path: Path) -> str:
        try:
            return path.relative_to(self._root).as_posix()
        except ValueError:
            # What a link leads to is named by its real path, and a link may lead to the folder as well.
            return path.relative_to(self._root.resolve()).as_posix()

    def _keep(self, evidence: Evidence) -> None:
        kept = self._methods if evidence.read_back is ReadBack.MEDIUM else self._doubts
        kept.add(evidence.method)
        self._remedies |= {evidence.remedy} - {""}

    def evidence(self) -> Evidence:
        """Say what backs all that was read."""
        if self._doubts or not self._methods:
            doubts = "; ".join(sorted(self._doubts)) or "nothing was read"
            return Evidence(ReadBack.PERHAPS_MEMORY, doubts, next(iter(sorted(self._remedies)), ""))
        return Evidence(ReadBack.MEDIUM, "; ".join(sorted(self._methods)))

    def close(self) -> None:
        """Close the folder."""
        self._folder.close()
