"""A bag on a drive as it lies there: what it lists, and what an earlier run left unproven.

Nothing is written here. Kept apart from the bag that grows, and light to load: most looks at a drive
find nothing to do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from manifests.bags.paths import ENTRIES, JOURNAL, TAG_MANIFEST
from transfer.engine.lines import read_lines

if TYPE_CHECKING:
    from manifests.bags.entries import Entry
    from manifests.bags.stored_names import NameBook
    from transfer.engine.medium import PinnedFolder

Origin = tuple[str, str]


class Known(NamedTuple):
    """A file the bag has: enough to tell whether a source has changed since."""

    path: str
    size_bytes: int
    modified_ns: int
    growing: bool
    sha256: str
    read_back: str = ""


class ListedBag:
    """One bag of one drive. `path` is its folder below the pinned `folder`; paths in it begin with `data/`.

    `known` is what it lists, by source and path in the source, once it was loaded. Methods raise OSError.
    """

    def __init__(self, folder: PinnedFolder, path: str) -> None:
        self.folder = folder
        self.path = path
        self.known: dict[Origin, Known] = {}
        self._names: NameBook | None = None

    def at(self, path: str) -> str:
        """Give a path of the bag as one below the pinned folder."""
        return f"{self.path}/{path}"

    @property
    def unfinished(self) -> bool:
        """Whether an earlier run left the bag before everything in it was proven."""
        return self.folder.stat(self.at(JOURNAL)) is not None

    def fingerprint(self) -> str | None:
        """Give the SHA-256 of the tag manifest, which pins all the others; None where there is none."""
        content = b"".join(read_lines(self.folder, self.at(TAG_MANIFEST)))
        return hashlib.sha256(content).hexdigest() if content else None

    def entries(self) -> Iterator[Entry]:
        """Read the entries of what is proven. Raises EntryError where the list cannot be read."""
        from manifests.bags.entries import read_entries

        return read_entries(read_lines(self.folder, self.at(ENTRIES)))

    def load(self, on_entry: Callable[[Entry], None]) -> None:
        """Read what the bag lists into `known`. Raises EntryError."""
        for entry in self.entries():
            self.known[entry.source, entry.original] = known_of(entry)
            on_entry(entry)

    def left_whole(self) -> dict[str, Entry]:
        """Give, by path, what an earlier run left whole but unproven: each file's last journal line."""
        if not self.unfinished:
            return {}
        from transfer.engine.journal import journal_entries

        left: dict[str, Entry] = {}
        for _, entry in journal_entries(self.folder, self.at(JOURNAL)):
            facts = self.folder.stat(self.at(entry.path)) if _is_ours(entry.path) else None
            if facts is not None and facts.st_size == entry.size_bytes:
                left[entry.path] = entry
        listed = {known.path: known.sha256 for known in self.known.values()}
        return {path: e for path, e in left.items() if listed.get(path) != e.digests.sha256}

    def claim(self, path: str) -> str:
        """Give a free path in the bag, as near to `path` as there is one."""
        if self._names is None:
            from manifests.bags.stored_names import NameBook

            self._names = NameBook([*(known.path for known in self.known.values()), *self.left_whole()])
        return self._names.claim(path)


def known_of(entry: Entry) -> Known:
    """Give what is needed to tell whether a source has changed since its entry was made."""
    return Known(
        entry.path, entry.size_bytes, entry.modified_ns, entry.growing, entry.digests.sha256, entry.read_back
    )


def _is_ours(path: str) -> bool:
    """Tell whether a path from a journal stays inside the payload: what a drive says is hostile."""
    parts = path.split("/")
    return parts[0] == "data" and len(parts) > 1 and not {"", ".", ".."} & set(parts) and "\\" not in path
