"""A bag on a drive while it grows: what it lists, what waits to be proven, and the step between.

The order of acts is what makes any instant safe to lose power at: content flushed, then a journal line,
then the final name, then everything read back, and only then the manifest.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from manifests.bags.bag_writing import BagWriter
from manifests.bags.entries import Entry, EntryError
from manifests.bags.paths import INCOMING, PAYLOAD, SET_ASIDE
from manifests.findings import Finding
from transfer.engine.durable import TagFileSet, remove_if_there, try_again
from transfer.engine.journal import Journal
from transfer.engine.lines import parent
from transfer.engine.listed_bag import Known, ListedBag, Origin
from transfer.engine.medium import PinnedFolder, ReadBack, drive_is_full
from transfer.engine.medium.base import BLOCK_BYTES, write_all
from transfer.engine.readback import Compared, Copy, Outcome, read_back
from transfer.errors import DriveFailed


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


Sink = Callable[[Entry], None]
OnRefused = Callable[[Arrival, OSError], None]
# What drives say of a name that they cannot hold, their drivers in user space in particular.
_NAME_REFUSED = frozenset({errno.EPERM, errno.EACCES, errno.EINVAL, errno.EILSEQ, errno.ENAMETOOLONG})
_RESERVE = f"{INCOMING}/reserve"


class OpenBag:
    """One bag of one drive, held by one run. Its methods raise OSError and DriveFailed."""

    def __init__(self, listed: ListedBag, info: Mapping[str, str]) -> None:
        self.listed = listed
        self.folder: PinnedFolder = listed.folder
        self.path = listed.path
        self._info = info
        self.journal = Journal(listed.folder, listed.path)
        self.methods: set[str] = set()
        self.found_bad: set[str] = set()
        self.same_count = 0
        self._settled: dict[str, _Settled] = {}
        self._proven: dict[str, ReadBack] = {}
        self._refreshed: dict[str, Entry] = {}
        self._withdrawn: set[str] = set()
        self._notes: dict[str, tuple[Finding, ...]] = {}
        self._parts = 0

    # What is there

    def _at(self, path: str) -> str:
        return self.listed.at(path)

    def new_part(self) -> str:
        """Give a path, below the pinned folder, for a file that has no name yet; never the same twice."""
        self._parts += 1
        return self._at(f"{INCOMING}/{self._parts}.part")

    @property
    def proven_count(self) -> int:
        """How many files this run has proven in the bag."""
        return len(self._proven)

    @property
    def proven_bytes(self) -> int:
        """How many bytes this run has proven in the bag."""
        return sum(self._settled[path].size_bytes for path in list(self._proven))

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

        A bag whose list cannot be read is set aside whole, and a new one begun. The temporaries of a run
        that died are removed; they are ours and no manifest knows them. Space is reserved for the lists,
        which a drive that fills up must still be able to take.
        """
        changed = self.listed.set_aside() if self.listed.damage else set()
        changed |= self.folder.make_folders(self._at(INCOMING)) | self.folder.make_folders(self._at(PAYLOAD))
        for name, is_folder in self.folder.names(self._at(INCOMING)):
            if not is_folder:
                self.folder.remove(f"{self._at(INCOMING)}/{name}")
        left = self.listed.left_whole()
        starts = self.journal.begin(left.values())
        for start, entry in zip(starts, left.values(), strict=True):
            self._settle(entry, start)
        self.folder.flush_folders(sorted(changed))
        if self.listed.is_torn:
            self._write_tag_files(self.listed.entries, _to_nobody)
        self._reserve(reserve_bytes)

    def _reserve(self, size_bytes: int) -> None:
        descriptor = self.folder.create_file(self._at(_RESERVE))
        try:
            for start in range(0, size_bytes, BLOCK_BYTES):
                write_all(descriptor, bytes(min(BLOCK_BYTES, size_bytes - start)))
        finally:
            os.close(descriptor)

    def _settle(self, entry: Entry, line_start: int) -> None:
        self._settled[entry.path] = _Settled(line_start, entry.size_bytes, entry.digests.xxh128)

    # Taking files

    def take(self, arrivals: Iterable[Arrival], on_refused: OnRefused | None = None) -> None:
        """Give whole, flushed files their final names.

        An entry whose file is about to be replaced leaves the manifest first. A name that the drive
        refuses is told to `on_refused` and concerns no other file; without that it is raised.
        """
        coming = list(arrivals)
        replaced = {a.entry.path for a in coming if a.replaces} - self._withdrawn - self._settled.keys()
        if replaced:
            self.withdraw(replaced)
        starts = self._keep_in_journal([arrival.entry for arrival in coming])
        touched = {self._at(INCOMING)}
        for arrival, start in zip(coming, starts, strict=True):
            try:
                touched |= self._give_name(arrival)
            except OSError as error:
                if on_refused is None or error.errno not in _NAME_REFUSED:
                    raise
                on_refused(arrival, error)
                continue
            self._settle(arrival.entry, start)
            self._proven.pop(arrival.entry.path, None)
            self.found_bad.discard(arrival.entry.path)
        self.folder.flush_folders(sorted(touched))

    def _keep_in_journal(self, entries: list[Entry]) -> list[int]:
        """Add lines to the journal; on a drive that is full, in the space that was kept for the lists."""
        try:
            return self.journal.append(entries)
        except OSError as error:
            if not drive_is_full(error) or self.folder.stat(self._at(_RESERVE)) is None:
                raise
        self.folder.remove(self._at(_RESERVE))
        return self.journal.append(entries)

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
        name = path.rpartition("/")[2]
        there = {name for name, _ in self.folder.names(self._at(SET_ASIDE))}
        number = next(n for n in itertools.count(1) if f"{n} {name}" not in there)
        self.folder.replace(self._at(path), f"{self._at(SET_ASIDE)}/{number} {name}")
        return changed | {self._at(SET_ASIDE), parent(self._at(path))}

    def refresh(self, entry: Entry, known: Known) -> None:
        """Take new facts of a file whose content is the same."""
        self.same_count += 1
        if (entry.modified_ns, entry.growing) != (known.modified_ns, known.growing):
            self._refreshed[entry.path] = dataclasses.replace(entry, read_back=known.read_back)

    def note(self, path: str, finding: Finding) -> None:
        """Add a finding to a file's entry."""
        self._notes[path] = (*self._notes.get(path, ()), finding)

    # Proving

    def prove(self, on_bytes: Callable[[int], None], go_on: Callable[[], bool]) -> list[Compared]:
        """Read back what is not proven yet; give the copies that are not what was written."""
        compared = read_back(self.folder, self.waiting(), on_bytes, go_on)
        return [each for each in compared if not self.record(each)]

    def waiting(self) -> list[Copy]:
        """Give the copies that are to be read back."""
        return [self._copy(path) for path in self.unproven]

    def record(self, compared: Compared) -> bool:
        """Take what reading a copy back gave; tell whether it is what was written."""
        self.methods.add(compared.evidence.method)
        if compared.outcome is Outcome.EQUAL:
            self._proven[self.in_bag(compared.copy)] = compared.evidence.read_back
        else:
            self.found_bad.add(self.in_bag(compared.copy))
        return compared.outcome is Outcome.EQUAL

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
        """Take files out of the manifest, which they leave before their content does.

        Where that fails they have not left it, and their places are not to be taken.
        """
        left = self._withdrawn | paths
        self._write_tag_files(lambda: self._listed_without(left), _to_nobody)
        self._withdrawn = left

    def _listed_without(self, paths: set[str]) -> Iterator[Entry]:
        return (entry for entry in self.listed.entries() if entry.path not in paths)

    def publish(self, finished: bool, new_sink: Callable[[], Sink]) -> None:
        """Write the manifest of all that is proven; a `finished` bag loses its journal.

        The manifest is flushed and read back before the journal goes. Each try to write it gives every
        entry to a sink of its own.
        """
        self._write_tag_files(self._all_entries, new_sink)
        if finished:
            self.journal.end()

    def _all_entries(self) -> Iterator[Entry]:
        replaced = self._withdrawn | self._proven.keys()
        for entry in self.listed.entries():
            if entry.path not in replaced:
                yield self._refreshed.get(entry.path, entry)
        count = 0
        for start, entry in self.journal.entries():
            settled = self._settled.get(entry.path)
            if settled is not None and settled.line_start == start and entry.path in self._proven:
                yield self._as_proven(entry)
                count += 1
        if count != len(self._proven):
            step = "Send again: what is on the drive is read again, and the rest is carried."
            raise DriveFailed("The drive gave back a journal with other lines", self.folder.path, step)

    def _as_proven(self, entry: Entry) -> Entry:
        notes = self._notes.get(entry.path, ())
        return dataclasses.replace(entry.at(entry.path, *notes), read_back=self._proven[entry.path].value)

    def _write_tag_files(self, entries: Callable[[], Iterable[Entry]], new_sink: Callable[[], Sink]) -> None:
        remove_if_there(self.folder, self._at(_RESERVE))
        try:
            try_again(lambda: self._write_tag_files_once(entries(), new_sink()))
        except EntryError as error:
            step = "Send again: the bag is then set aside, and its night carried anew."
            happened = f"Its list was damaged ({error})"
            raise DriveFailed(happened, self.folder.path / self.path, step) from error

    def _write_tag_files_once(self, entries: Iterable[Entry], sink: Sink) -> None:
        files = TagFileSet(self.folder, self.path, self._at(INCOMING))
        try:
            writer = BagWriter(files.create, self._info)
            for entry in entries:
                writer.add(entry)
                sink(entry)
            files.put_in_place(writer.close(self.listed.acknowledgements()))
        finally:
            files.close()

    def close(self) -> None:
        """Let go of the journal."""
        with contextlib.suppress(OSError):  # all that counts was flushed
            self.journal.close()


def _to_nobody() -> Sink:
    return lambda _: None
