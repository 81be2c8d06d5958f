"""The lists of a bag that grows: they say what was listed before and what this run has proven."""

from __future__ import annotations

import dataclasses
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping

from manifests.bags.bag_writing import BagWriter
from manifests.bags.entries import Entry, EntryError
from manifests.bags.paths import INCOMING
from manifests.findings import Finding
from transfer.engine.bag.durable import TagFileSet, remove_if_there, try_again
from transfer.engine.bag.journal import Journal
from transfer.engine.bag.listed import Known, ListedBag
from transfer.engine.bag.proofs import Proofs
from transfer.engine.medium.base import BLOCK_BYTES, write_all
from transfer.errors import DriveFailed

Sink = Callable[[Entry], None]
_RESERVE = f"{INCOMING}/reserve"


class BagLists:
    """Writes the tag files of one bag. Its methods raise OSError and DriveFailed.

    `withdrawn` are the listed paths that have left the manifest, `same` those that came again with the
    content they had.
    """

    def __init__(self, listed: ListedBag, info: Mapping[str, str], journal: Journal, proofs: Proofs) -> None:
        self._listed, self._info = listed, info
        self._journal, self._proofs = journal, proofs
        self.withdrawn: set[str] = set()
        self.same: set[str] = set()
        self._refreshed: dict[str, Entry] = {}
        self._notes: dict[str, tuple[Finding, ...]] = {}
        self._beside: dict[str, bytes] = {}

    # Space for them

    def reserve(self, size_bytes: int) -> None:
        """Keep space for the lists, which a drive that fills up must still be able to take."""
        descriptor = self._listed.folder.create_file(self._listed.at(_RESERVE))
        try:
            for start in range(0, size_bytes, BLOCK_BYTES):
                write_all(descriptor, bytes(min(BLOCK_BYTES, size_bytes - start)))
        finally:
            os.close(descriptor)

    @property
    def has_reserve(self) -> bool:
        """Whether there is still space that was kept."""
        return self._listed.folder.stat(self._listed.at(_RESERVE)) is not None

    def use_reserve(self) -> None:
        """Free the space that was kept."""
        remove_if_there(self._listed.folder, self._listed.at(_RESERVE))

    # What they will say

    def refresh(self, entry: Entry, known: Known) -> None:
        """Record new facts of a file whose content is the same."""
        self.same.add(entry.path)
        if (entry.modified_ns, entry.growing) != (known.modified_ns, known.growing):
            self._refreshed[entry.path] = dataclasses.replace(entry, read_back=known.read_back)

    def amend(self, entry: Entry) -> None:
        """Record other facts of a listed file, whose content is the same."""
        self._refreshed[entry.path] = entry

    def note(self, path: str, finding: Finding) -> None:
        """Add a finding to a file's entry."""
        self._notes[path] = (*self._notes.get(path, ()), finding)

    def put_beside(self, path: str, content: bytes) -> None:
        """Have another tag file written with the lists, from now on."""
        self._beside[path] = content

    # Writing them

    def rewrite(self) -> None:
        """Write anew what is listed already."""
        self._write(lambda: self._listed_without(self.withdrawn), _to_nobody)

    def withdraw(self, paths: set[str]) -> None:
        """Take files out of the manifest, which they leave before their content does.

        Where that fails they have not left it, and their places are not to be taken.
        """
        left = self.withdrawn | paths
        self._write(lambda: self._listed_without(left), _to_nobody)
        self.withdrawn = left

    def _listed_without(self, paths: set[str]) -> Iterator[Entry]:
        """Yield what the bag lists, except `paths`. Raises DriveFailed where the drive gives back less of it.

        A list is pinned by the tag manifest, which a bag that was being finished when the power went has not.
        """
        missing = self._listed.paths - paths
        for entry in self._listed.entries():
            missing.discard(entry.path)
            if entry.path not in paths:
                yield entry
        if missing:
            step = "Have the drive's file system checked and repaired, then send again."
            happened = f"The drive gave back a list without {len(missing)} of its lines"
            raise DriveFailed(happened, self._listed.folder.path / self._listed.path, step)

    def publish(self, new_sink: Callable[[], Sink]) -> None:
        """Write the manifest of all that is proven. Each try gives every entry to a sink of its own."""
        self._write(self._all_entries, new_sink)

    def _all_entries(self) -> Iterator[Entry]:
        replaced = self.withdrawn | self._proofs.proven
        for entry in self._listed_without(replaced):
            yield self._refreshed.get(entry.path, entry)
        count = 0
        for start, entry in self._journal.entries():
            read_back = self._proofs.of(entry, start)
            if read_back is not None:
                notes = self._notes.get(entry.path, ())
                yield dataclasses.replace(entry.at(entry.path, *notes), read_back=read_back.value)
                count += 1
        if count != self._proofs.proven_count:
            step = "Send again: what is on the drive is read again, and the rest is carried."
            happened = "The drive gave back a journal with other lines"
            raise DriveFailed(happened, self._listed.folder.path, step)

    def _write(self, entries: Callable[[], Iterable[Entry]], new_sink: Callable[[], Sink]) -> None:
        self.use_reserve()
        try:
            try_again(lambda: self._write_once(entries(), new_sink()))
        except EntryError as error:
            step = "Send again: the bag is then set aside, and its night carried anew."
            happened = f"Its list was damaged ({error})"
            raise DriveFailed(happened, self._listed.folder.path / self._listed.path, step) from error

    def _write_once(self, entries: Iterable[Entry], sink: Sink) -> None:
        files = TagFileSet(self._listed.folder, self._listed.path, self._listed.at(INCOMING))
        try:
            writer = BagWriter(files.create, self._info)
            for entry in entries:
                writer.add(entry)
                sink(entry)
            beside = {path: _written(files, path, content) for path, content in self._beside.items()}
            files.put_in_place(writer.close(self._listed.tag_files_that_stay() | beside) | beside)
        finally:
            files.close()


def _written(files: TagFileSet, path: str, content: bytes) -> str:
    with files.create(path) as file:
        file.write(content)
    return hashlib.sha256(content).hexdigest()


def _to_nobody() -> Sink:
    return lambda _: None
