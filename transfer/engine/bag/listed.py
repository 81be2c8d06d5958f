"""A bag on a drive as it lies there: what it lists, and what an earlier run left unproven.

Nothing is written here, except that a damaged bag gets another name.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from manifests.bags.entries import Entry, EntryError, read_entries
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import (
    ENTRIES,
    INCOMING,
    JOURNAL,
    MANIFEST,
    OWN,
    PAYLOAD,
    TAG_MANIFEST,
    outlives_lists,
)
from manifests.bags.stored_names import NameBook
from manifests.bags.tag_lines import TOO_LARGE
from transfer.engine.bag.journal import journal_entries
from transfer.engine.bag.lines import parent, read_lines
from transfer.engine.medium import PinnedFolder

Origin = tuple[str, str]


class Known(NamedTuple):
    """A file the bag has: enough to tell whether a source has changed since.

    `own` says that this computer has read this very content from its source.
    """

    path: str
    size_bytes: int
    modified_ns: int
    growing: bool
    sha256: str
    read_back: str = ""
    own: bool = False


def never(_entry: Entry) -> bool:
    """Return False for every entry."""
    return False


class ListedBag:
    """One bag of one drive. `path` is its folder below the pinned `folder`; paths in it begin with `data/`.

    `known` is what it lists, by source and path in the source, once it was loaded: the newest, where other
    content came under a known name, and `older` what came before. `paths` are all that it lists. `damage`
    says why the list cannot be used; empty where it can. `found_damaged` are paths of files that were found
    damaged since they were proven, as far as whoever loads the bag knows. Methods raise OSError.
    """

    def __init__(self, folder: PinnedFolder, path: str) -> None:
        self.folder = folder
        self.path = path
        self.known: dict[Origin, Known] = {}
        self.older: dict[Origin, list[Known]] = {}
        self.paths: set[str] = set()
        self.damage = ""
        self.found_damaged: frozenset[str] = frozenset()
        self._names: NameBook | None = None

    def at(self, path: str) -> str:
        """Return a path of the bag as one below the pinned folder."""
        return f"{self.path}/{path}"

    @property
    def unfinished(self) -> bool:
        """Whether an earlier run left the bag before everything in it was proven."""
        return self.folder.stat(self.at(JOURNAL)) is not None

    def fingerprint(self) -> str | None:
        """Return the text of the tag manifest, whose digests pin all the rest.

        None where there is none, and where it is larger than any.
        """
        try:
            content = b"".join(self._lines(TAG_MANIFEST))
        except ListTooLarge:
            return None
        return content.decode("utf-8", "backslashreplace") or None

    @property
    def is_torn(self) -> bool:
        """Whether a run died while it swapped the lists: the entries go in first, the tag manifest last."""
        return self._has(ENTRIES) and not self._has(TAG_MANIFEST)

    def _has(self, name: str) -> bool:
        return self.folder.stat(self.at(name)) is not None

    def entries(self) -> Iterator[Entry]:
        """Read the entries of what is proven. Raises EntryError where they are not what was written."""
        digest, number = hashlib.sha256(), 0
        for number, entry in enumerate(read_entries(self._digested(digest)), 1):
            if not _is_ours(entry.path):
                raise EntryError(number, f"not a path in the payload: {entry.path!a}")
            yield entry
        if self._pinned_as(ENTRIES) not in (None, digest.hexdigest()):
            raise EntryError(number, f"these are not the lines that {TAG_MANIFEST} pins")

    def _digested(self, digest: hashlib._Hash) -> Iterator[bytes]:
        for line in self._lines(ENTRIES):
            digest.update(line)
            yield line

    def _pinned_as(self, path: str) -> str | None:
        """Return what the tag manifest says of a tag file; None where it is not there to say."""
        return next((sha256 for name, sha256 in self.pinned() if name == path), None)

    def pinned(self) -> Iterator[tuple[str, str]]:
        """Yield what the tag manifest lists, path and SHA-256. Raises OSError and ListTooLarge.

        Its lines may end as an editor on Windows ends them: no name that is ours has a line's end in it.
        """
        for line in self._lines(TAG_MANIFEST):
            sha256, _, name = line.decode("utf-8", "backslashreplace").rstrip("\r\n").partition("  ")
            if name:
                yield name, sha256

    def tag_files_that_stay(self) -> dict[str, str]:
        """Return acknowledgements and what a person has said, path to SHA-256, as the bag pins them.

        Where a run died before it pinned one, its content says. One that is larger than the bag's files
        explain is left out.
        """
        paths = (f"{OWN}/{name}" for name, is_folder in self.folder.names(self.at(OWN)) if not is_folder)
        found = {path: self._sha256_of(path) for path in paths if outlives_lists(path)}
        return {path: sha256 for path, sha256 in found.items() if sha256}

    def _sha256_of(self, path: str) -> str:
        digest = hashlib.sha256()
        try:
            pinned = self._pinned_as(path)
            if pinned is not None and re.fullmatch("[0-9a-f]{64}", pinned):
                return pinned
            for line in self._lines(path):
                digest.update(line)
        except ListTooLarge:
            return ""
        return digest.hexdigest()

    def _lines(self, path: str) -> Iterator[bytes]:
        return read_lines(self.folder, self.at(path))

    def holds(self) -> bool:
        """Return whether the list is still what was written; where it is not, it is damaged and left out."""
        digest = hashlib.sha256()
        try:
            for _ in self._digested(digest):
                pass
            is_pinned = self._pinned_as(ENTRIES) in (None, digest.hexdigest())
        except ListTooLarge:
            is_pinned = False
        if not (self.damage or is_pinned):
            self._leave_out(f"{ENTRIES} is not what was written")
        return not self.damage

    def _leave_out(self, damage: str) -> None:
        self.damage = damage
        self.known, self.older, self.paths, self._names = {}, {}, set(), None

    def load(self, on_entry: Callable[[Entry], None], is_own: Callable[[Entry], bool] = never) -> None:
        """Read what the bag lists; a list that cannot be read is left out whole, and `damage` says why."""
        try:
            for entry in self.entries():
                self.recall([((entry.source, entry.original), known_of(entry, is_own(entry)))])
                on_entry(entry)
        except EntryError as error:
            self._leave_out(f"{ENTRIES}, {error}")
        except ListTooLarge:
            self._leave_out(f"{TAG_MANIFEST} {TOO_LARGE}")
        if self._has(MANIFEST) and not self._has(ENTRIES):
            self._leave_out(f"it has a manifest and no {ENTRIES}")

    def recall(self, rows: Iterable[tuple[Origin, Known]]) -> None:
        """Add files that the bag lists, in its order."""
        for origin, known in rows:
            if origin in self.known:
                self.older.setdefault(origin, []).append(self.known[origin])
            self.known[origin] = known
            self.paths.add(known.path)

    def versions(self, origin: Origin) -> list[Known]:
        """Return all that the bag lists under one name in one source, the newest first.

        There are several where a log was written anew, or another computer sends to the same drive.
        """
        newest = self.known.get(origin)
        if newest is None:
            return []
        return [newest, *reversed(self.older[origin])] if origin in self.older else [newest]

    def is_damaged(self, origin: Origin) -> bool:
        """Return whether anything that is listed under a name in a source was found damaged since."""
        return any(known.path in self.found_damaged for known in self.versions(origin))

    def set_aside(self) -> set[str]:
        """Rename a damaged bag to a free name, and be a new one; return the folders to flush."""
        number = 1
        while self.folder.stat(f"{self.path} (set aside {number})") is not None:
            number += 1
        self.folder.replace(self.path, f"{self.path} (set aside {number})")
        self.damage = ""
        return {parent(self.path)}

    def left_whole(self) -> dict[str, Entry]:
        """Return, by path, what an earlier run left whole but unproven: each file's last journal line."""
        if self.damage or not self.unfinished:
            return {}
        left: dict[str, Entry] = {}
        for _, entry in journal_entries(self.folder, self.at(JOURNAL)):
            facts = self.folder.stat(self.at(entry.path)) if _is_ours(entry.path) else None
            if facts is not None and facts.st_size == entry.size_bytes:
                left[entry.path] = entry
        listed = {known.path: known.sha256 for known in self.known.values()}
        return {path: e for path, e in left.items() if listed.get(path) != e.digests.sha256}

    def leftover_bytes(self) -> int:
        """Return the size of what a dead run left half written: ours, and on no list."""
        return sum(self.folder.sizes(self.at(INCOMING)).values()) if self.unfinished else 0

    def claim(self, path: str) -> str:
        """Return a free path in the bag, as near to `path` as there is one."""
        if self._names is None:
            self._names = NameBook([*self.paths, *self.left_whole()])
        return self._names.claim(path)


def known_of(entry: Entry, own: bool = False) -> Known:
    """Return what is needed to tell whether a source has changed since its entry was made."""
    return Known(
        path=entry.path,
        size_bytes=entry.size_bytes,
        modified_ns=entry.modified_ns,
        growing=entry.growing,
        sha256=entry.digests.sha256,
        read_back=entry.read_back,
        own=own,
    )


def _is_ours(path: str) -> bool:
    """Return whether a path that a drive names stays inside the payload: what a drive says is hostile."""
    parts = path.split("/")
    inside = parts[0] == PAYLOAD and len(parts) > 1 and not {"", ".", ".."} & set(parts)
    return inside and not {"\\", "\0"} & set(path) and path.encode(errors="ignore").decode() == path
