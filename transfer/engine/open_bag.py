"""A bag on a drive while it grows: what it lists, what waits to be proven, and the step between.

The order of acts is what makes any instant safe to lose power at: content flushed, then a journal line,
then the final name, then everything read back, and only then the manifest.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from manifests.bags.bag_writing import BagWriter
from manifests.bags.entries import Entry, read_entries
from manifests.bags.paths import ENTRIES, INCOMING, SET_ASIDE, TAG_MANIFEST
from manifests.bags.stored_names import NameBook
from manifests.findings import Finding
from transfer.engine.durable import TagFileSet, parent, remove_if_there
from transfer.engine.journal import Journal, read_lines
from transfer.engine.medium import PinnedFolder, ReadBack
from transfer.engine.medium.base import BLOCK_BYTES, write_all
from transfer.engine.readback import Compared, Copy, Outcome, read_back


class Known(NamedTuple):
    """A file the bag has: enough to tell whether a source has changed since."""

    path: str
    size_bytes: int
    modified_ns: int
    growing: bool
    sha256: str
    read_back: str = ""


class _Settled(NamedTuple):
    """A file that stands whole on the drive and is not in the manifest yet: its line, and its copy."""

    line_start: int
    size_bytes: int
    xxh128: str


@dataclass(frozen=True, slots=True)
class Arrival:
    """A whole file in the bag's incoming folder: its entry, and whether it takes a listed file's place."""

    part: str
    entry: Entry
    replaces: bool


Origin = tuple[str, str]
_RESERVE = f"{INCOMING}/reserve"


class OpenBag:
    """One bag of one drive, held by one run. Its methods raise OSError and DriveFailed.

    `path` is the bag's folder below the pinned `folder`. Paths in the bag begin with `data/`.
    """

    def __init__(self, folder: PinnedFolder, path: str, info: Mapping[str, str]) -> None:
        self.folder = folder
        self.path = path
        self._info = info
        self.journal = Journal(folder, path)
        self.known: dict[Origin, Known] = {}
        self._settled: dict[str, _Settled] = {}
        self._proven: dict[str, ReadBack] = {}
        self.methods: set[str] = set()
        self._refreshed: dict[str, Entry] = {}
        self._withdrawn: set[str] = set()
        self._notes: dict[str, tuple[Finding, ...]] = {}
        self.found_bad: set[str] = set()
        self._names: NameBook | None = None

    # What is there

    def load(self, on_entry: Callable[[Entry], None]) -> None:
        """Read what the bag lists into `known`. Raises EntryError where its list cannot be read."""
        for entry in self._listed():
            self.known[entry.source, entry.original] = known_of(entry)
            on_entry(entry)

    def _listed(self) -> Iterator[Entry]:
        return read_entries(read_lines(self.folder, self._at(ENTRIES)))

    def _at(self, path: str) -> str:
        return f"{self.path}/{path}"

    @property
    def incoming(self) -> str:
        """The folder below the pinned one that takes files before they have their names."""
        return self._at(INCOMING)

    @property
    def unfinished(self) -> bool:
        """Whether an earlier run left the bag before everything in it was proven."""
        return self.journal.exists

    def fingerprint(self) -> str | None:
        """Give the SHA-256 of the tag manifest, which pins all the others; None where there is none."""
        digest = hashlib.sha256()
        lines = list(read_lines(self.folder, self._at(TAG_MANIFEST)))
        for line in lines:
            digest.update(line)
        return digest.hexdigest() if lines else None

    @property
    def proven_count(self) -> int:
        """How many files this run has proven in the bag."""
        return len(self._proven)

    @property
    def proven_bytes(self) -> int:
        """How many bytes this run has proven in the bag."""
        return sum(self._settled[path].size_bytes for path in self._proven)

    @property
    def unproven(self) -> list[str]:
        """Give the paths that stand whole on the drive and are not proven."""
        return [path for path in self._settled if path not in self._proven]

    @property
    def unproven_bytes(self) -> int:
        """How much there is to read back."""
        return sum(self._settled[path].size_bytes for path in self.unproven)

    @property
    def all_from_medium(self) -> bool:
        """Whether all that this run has proven was read from the medium."""
        return ReadBack.PERHAPS_MEMORY not in self._proven.values()

    # Beginning

    def begin(self, reserve_bytes: int) -> None:
        """Make the bag ready to take files, and take over what an earlier run left whole but unproven.

        The temporaries of a run that died are removed; they are ours and no manifest knows them. Space
        is reserved for the lists, which a drive that fills up must still be able to take.
        """
        changed = self.folder.make_folders(self._at(INCOMING))
        for name, is_folder in self.folder.names(self._at(INCOMING)):
            if not is_folder:
                self.folder.remove(f"{self._at(INCOMING)}/{name}")
        left = self._left_whole()
        starts = self.journal.begin(left.values())
        for start, entry in zip(starts, left.values(), strict=True):
            self._settle(entry, start)
        self.folder.flush_folders(sorted(changed))
        self._reserve(reserve_bytes)

    def _reserve(self, size_bytes: int) -> None:
        descriptor = self.folder.create_file(self._at(_RESERVE))
        try:
            for start in range(0, size_bytes, BLOCK_BYTES):
                write_all(descriptor, bytes(min(BLOCK_BYTES, size_bytes - start)))
        finally:
            os.close(descriptor)

    def left_whole(self) -> dict[Origin, Known]:
        """Give what an earlier run left whole but unproven. Writes nothing."""
        return {(entry.source, entry.original): known_of(entry) for entry in self._left_whole().values()}

    def _left_whole(self) -> dict[str, Entry]:
        """Give the journal's entries whose files have their final names and sizes; the last line counts."""
        left: dict[str, Entry] = {}
        for _, entry in self.journal.entries():
            facts = self.folder.stat(self._at(entry.path)) if _is_ours(entry.path) else None
            if facts is not None and facts.st_size == entry.size_bytes:
                left[entry.path] = entry
        listed = {known.path: known.sha256 for known in self.known.values()}
        return {path: e for path, e in left.items() if listed.get(path) != e.digests.sha256}

    def _settle(self, entry: Entry, line_start: int) -> None:
        self._settled[entry.path] = _Settled(line_start, entry.size_bytes, entry.digests.xxh128)

    # Names

    def claim(self, path: str) -> str:
        """Give a free path in the bag, as near to `path` as there is one."""
        return self._name_book().claim(path)

    def _name_book(self) -> NameBook:
        if self._names is None:
            self._names = NameBook([*(known.path for known in self.known.values()), *self._settled])
        return self._names

    # Taking files

    def take(self, arrivals: Iterable[Arrival]) -> None:
        """Give whole, flushed files their final names.

        An entry whose file is about to be replaced leaves the manifest first.
        """
        coming = list(arrivals)
        replaced = {a.entry.path for a in coming if a.replaces} - self._withdrawn - self._settled.keys()
        if replaced:
            self.withdraw(replaced)
        starts = self.journal.append(arrival.entry for arrival in coming)
        touched = {self._at(INCOMING)}
        for arrival, start in zip(coming, starts, strict=True):
            touched |= self._give_name(arrival)
            self._settle(arrival.entry, start)
            self._proven.pop(arrival.entry.path, None)
            self.found_bad.discard(arrival.entry.path)
        self.folder.flush_folders(sorted(touched))

    def _give_name(self, arrival: Arrival) -> set[str]:
        final = self._at(arrival.entry.path)
        touched = self.folder.make_folders(parent(final))
        ours = arrival.replaces or arrival.entry.path in self._settled
        if not ours and self.folder.stat(final) is not None:
            touched |= self.set_aside(arrival.entry.path)
        self.folder.replace(arrival.part, final)
        return touched | {parent(final)}

    def set_aside(self, path: str) -> set[str]:
        """Move a file out of the payload, overwriting nothing; give the folders touched."""
        changed = self.folder.make_folders(self._at(SET_ASIDE))
        number = len(self.folder.names(self._at(SET_ASIDE))) + 1
        self.folder.replace(self._at(path), f"{self._at(SET_ASIDE)}/{number} {path.rpartition('/')[2]}")
        return changed | {self._at(SET_ASIDE), parent(self._at(path))}

    def refresh(self, entry: Entry, known: Known) -> None:
        """Take new facts of a file whose content is the same."""
        if (entry.modified_ns, entry.growing) != (known.modified_ns, known.growing):
            self._refreshed[entry.path] = dataclasses.replace(entry, read_back=known.read_back)

    def note(self, path: str, finding: Finding) -> None:
        """Add a finding to a file's entry."""
        self._notes[path] = (*self._notes.get(path, ()), finding)

    # Proving

    def prove(self, on_bytes: Callable[[int], None], go_on: Callable[[], bool]) -> list[Compared]:
        """Read back what is not proven yet; give the copies that are not what was written."""
        waiting = (self._copy(path) for path in self.unproven)
        bad = []
        for compared in read_back(self.folder, waiting, on_bytes, go_on):
            self.methods.add(compared.evidence.method)
            if compared.outcome is Outcome.EQUAL:
                self._proven[self.in_bag(compared.copy)] = compared.evidence.read_back
            else:
                self.found_bad.add(self.in_bag(compared.copy))
                bad.append(compared)
        return bad

    def doubt(self) -> None:
        """Take back every proof of this run: all that it wrote is to be read again."""
        self._proven.clear()

    def _copy(self, path: str) -> Copy:
        settled = self._settled[path]
        return Copy(self._at(path), settled.size_bytes, settled.xxh128)

    def in_bag(self, copy: Copy) -> str:
        """Give a copy's path in the bag."""
        return copy.path.removeprefix(f"{self.path}/")

    def origins(self, paths: set[str]) -> dict[str, Origin]:
        """Give where files that wait to be proven came from."""
        return {e.path: (e.source, e.original) for _, e in self.journal.entries() if e.path in paths}

    def give_up(self, path: str, source_is_there: bool) -> None:
        """Take a copy that cannot be proven out of the payload.

        Where its source is still there the copy is removed; else it may be all there is, and is kept.
        """
        if source_is_there:
            self.folder.remove(self._at(path))
            self.folder.flush_folders([parent(self._at(path))])
        else:
            self.folder.flush_folders(sorted(self.set_aside(path)))
        del self._settled[path]
        self.found_bad.discard(path)

    # Writing the manifest

    def withdraw(self, paths: set[str]) -> None:
        """Take files out of the manifest, which they leave before their content does."""
        self._withdrawn |= paths
        self._write_tag_files(self._still_listed(), _unseen)

    def _still_listed(self) -> Iterator[Entry]:
        return (entry for entry in self._listed() if entry.path not in self._withdrawn)

    def publish(self, finished: bool, on_entry: Callable[[Entry], None]) -> None:
        """Write the manifest of all that is proven; a `finished` bag loses its journal.

        The manifest is flushed and read back before the journal goes. `on_entry` sees each entry.
        """
        self._write_tag_files(self._all_entries(), on_entry)
        if finished:
            self.journal.end()

    def _all_entries(self) -> Iterator[Entry]:
        replaced = self._withdrawn | self._proven.keys()
        for entry in self._listed():
            if entry.path not in replaced:
                yield self._refreshed.get(entry.path, entry)
        for start, entry in self.journal.entries():
            settled = self._settled.get(entry.path)
            if settled is not None and settled.line_start == start and entry.path in self._proven:
                yield self._as_proven(entry)

    def _as_proven(self, entry: Entry) -> Entry:
        notes = self._notes.get(entry.path, ())
        return dataclasses.replace(entry.at(entry.path, *notes), read_back=self._proven[entry.path].value)

    def _write_tag_files(self, entries: Iterable[Entry], on_entry: Callable[[Entry], None]) -> None:
        remove_if_there(self.folder, self._at(_RESERVE))
        files = TagFileSet(self.folder, self.path, self._at(INCOMING))
        try:
            writer = BagWriter(files.create, self._info)
            for entry in entries:
                writer.add(entry)
                on_entry(entry)
            files.put_in_place(writer.close(), TAG_MANIFEST)
        finally:
            files.close()

    def close(self) -> None:
        """Let go of the journal."""
        self.journal.close()


def _unseen(entry: Entry) -> None:
    """See nothing of an entry."""


def known_of(entry: Entry) -> Known:
    """Give what is needed to tell whether a source has changed since its entry was made."""
    return Known(
        entry.path, entry.size_bytes, entry.modified_ns, entry.growing, entry.digests.sha256, entry.read_back
    )


def _is_ours(path: str) -> bool:
    """Tell whether a path from a journal stays inside the payload: what a drive says is hostile."""
    parts = path.split("/")
    return parts[0] == "data" and len(parts) > 1 and not {"", ".", ".."} & set(parts) and "\\" not in path
