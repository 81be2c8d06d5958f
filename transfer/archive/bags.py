"""A bag of the archive as its manifest lists it: many nights' files, of which paths tell one from another."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from typing import NamedTuple

from manifests.bags.entries import Entry
from transfer.engine.bag.lines import parent
from transfer.engine.bag.listed import Known, ListedBag, Origin
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import BLOCK_BYTES


class Held(NamedTuple):
    """What the bag holds under one path."""

    size_bytes: int
    sha256: str


class ArchiveBag(ListedBag):
    """One bag of the archive; `held` gives, by path, what it lists and what this run has put into it."""

    def __init__(self, folder: PinnedFolder, path: str) -> None:
        super().__init__(folder, path)
        self.held: dict[str, Held] = {}
        self._sizes: dict[str, set[int]] = {}

    def recall(self, rows: Iterable[tuple[Origin, Known]]) -> None:
        """Know of files that the bag lists; the same source's path may have come on many nights."""
        for _, known in rows:
            self.held[known.path] = Held(known.size_bytes, known.sha256)
            self.paths.add(known.path)

    def left_whole(self) -> dict[str, Entry]:
        """Give, by path, what an earlier run left whole and did not list."""
        left = super().left_whole()
        return {
            path: entry
            for path, entry in left.items()
            if path not in self.held or self.held[path].sha256 != entry.digests.sha256
        }

    def sizes_in(self, folder: str) -> set[int]:
        """Give the sizes of the files that the bag lists in one of its folders."""
        if not self._sizes:
            for path, held in self.held.items():
                self._sizes.setdefault(parent(path), set()).add(held.size_bytes)
        return self._sizes.get(folder, set())

    def holds_at(self, path: str, sha256: str) -> bool:
        """Tell whether the bag lists a content under this path, and a file of its size is there."""
        held = self.held.get(path)
        return held is not None and held.sha256 == sha256 and self._is_there(path, held)

    def has_lost(self, path: str, sha256: str) -> bool:
        """Tell whether the bag lists a content under this path and has lost it, or a part of it."""
        held = self.held.get(path)
        return held is not None and held.sha256 == sha256 and not self._is_there(path, held)

    def _is_there(self, path: str, held: Held) -> bool:
        facts = self.folder.stat(self.at(path))
        return facts is not None and facts.st_size == held.size_bytes

    def is_part_of(self, path: str, size_bytes: int, sha256: str) -> bool:
        """Tell whether a content is the beginning of the longer file that the bag has at a path."""
        held = self.held.get(path)
        if held is None or held.size_bytes <= size_bytes or not self._is_there(path, held):
            return False
        return beginning_sha256(self.folder, self.at(path), size_bytes) == sha256

    def grew_into(self, path: str, part: str, size_bytes: int) -> bool:
        """Tell whether a file below the pinned folder, `part`, has grown from what the bag has at `path`."""
        held = self.held.get(path)
        if held is None or held.size_bytes >= size_bytes:
            return False
        return beginning_sha256(self.folder, part, held.size_bytes) == held.sha256


def beginning_sha256(folder: PinnedFolder, path: str, size_bytes: int) -> str:
    """Give the SHA-256 of a file's first so many bytes. Raises OSError."""
    digest = hashlib.sha256()
    with os.fdopen(folder.open_file(path), "rb", buffering=0) as file:
        left = size_bytes
        while left and (block := file.read(min(left, BLOCK_BYTES))):
            digest.update(block)
            left -= len(block)
    return digest.hexdigest()
