"""A bag on a drive while it grows: files come in whole, get their final names, and are listed once proven.

The order of acts is what makes any instant safe to lose power at: content flushed, then a journal line,
then the final name, then everything read back, and only then the manifest.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass

from manifests.bags.entries import Entry
from manifests.bags.paths import INCOMING, PAYLOAD, SET_ASIDE
from transfer.engine.bag.journal import Journal
from transfer.engine.bag.lines import parent
from transfer.engine.bag.listed import ListedBag, Origin
from transfer.engine.bag.lists import BagLists, Sink
from transfer.engine.bag.proofs import Proofs
from transfer.engine.medium import PinnedFolder, drive_is_full


@dataclass(frozen=True, slots=True)
class Arrival:
    """A whole file in the bag's incoming folder: its entry, and whether it takes a listed file's place."""

    part: str
    entry: Entry
    replaces: bool


def remove_leftovers(bag: ListedBag) -> None:
    """Remove what a dead run left half written in a bag. Raises OSError."""
    for name, is_folder in bag.folder.names(bag.at(INCOMING)):
        if not is_folder:
            bag.folder.remove(f"{bag.at(INCOMING)}/{name}")


OnRefused = Callable[[Arrival, OSError], None]
# What drives say of a name that they cannot hold, their drivers in user space in particular.
_NAME_REFUSED = frozenset({errno.EPERM, errno.EACCES, errno.EINVAL, errno.EILSEQ, errno.ENAMETOOLONG})


class OpenBag:
    """One bag of one drive, held by one run. Its methods raise OSError and DriveFailed.

    `proofs` knows what stands whole in it and is proven; `lists` writes what it says of itself. `brought`
    are the paths that this run has brought.
    """

    def __init__(self, listed: ListedBag, info: Mapping[str, str]) -> None:
        self.listed = listed
        self.folder: PinnedFolder = listed.folder
        self.journal = Journal(listed.folder, listed.path)
        self.proofs = Proofs(listed)
        self.lists = BagLists(listed, info, self.journal, self.proofs)
        self.brought: set[str] = set()
        self._parts = 0

    def _at(self, path: str) -> str:
        return self.listed.at(path)

    def new_part(self) -> str:
        """Return a path, below the pinned folder, for a file that has no name yet; never the same twice."""
        self._parts += 1
        return self._at(f"{INCOMING}/{self._parts}.part")

    # Beginning

    def begin(self, reserve_bytes: int, lost: Collection[str] = (), again: Collection[str] = ()) -> None:
        """Make the bag ready to take files, and take over what an earlier run left whole but unproven.

        A bag whose list cannot be read is set aside whole, and a new one begun. The temporaries of a run
        that died are removed; they are ours and no manifest knows them. What is `lost` is listed no more, and
        what is to be proven `again` stays listed while it waits to be read back.
        Space is reserved for the lists, which a drive that fills up must still be able to take.
        """
        changed = self.listed.set_aside() if self.listed.damage else set()
        changed |= self.folder.make_folders(self._at(INCOMING)) | self.folder.make_folders(self._at(PAYLOAD))
        remove_leftovers(self.listed)
        left = self.listed.left_whole()
        if again:
            left |= {entry.path: entry for entry in self.listed.entries() if entry.path in again}
        starts = self.journal.begin(left.values())
        for start, entry in zip(starts, left.values(), strict=True):
            self.proofs.settle(entry, start)
        self.folder.flush_folders(sorted(changed))
        if lost:
            self.withdraw(set(lost))
        elif self.listed.is_torn:
            self.lists.rewrite()
        self.lists.reserve(reserve_bytes)

    # Taking files

    def take(self, arrivals: Iterable[Arrival], on_refused: OnRefused | None = None) -> None:
        """Rename whole, flushed files to their final names.

        An entry whose file is about to be replaced leaves the manifest first. A name that the drive
        refuses is told to `on_refused` and concerns no other file; without that it is raised.
        """
        coming = list(arrivals)
        replaced = {a.entry.path for a in coming if a.replaces and a.entry.path not in self.proofs}
        if replaced - self.lists.withdrawn:
            self.withdraw(replaced - self.lists.withdrawn)
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
            self.proofs.settle(arrival.entry, start)
            self.brought.add(arrival.entry.path)
        self.folder.flush_folders(sorted(touched))

    def adopt(self, entry: Entry) -> None:
        """Take over a file that stands under its final name already, and is on no list."""
        (start,) = self._keep_in_journal([entry])
        self.proofs.settle(entry, start)
        self.brought.add(entry.path)

    def withdraw(self, paths: set[str]) -> None:
        """Take files out of the manifest, which they leave before their content does."""
        self.lists.withdraw(paths)

    def _keep_in_journal(self, entries: list[Entry]) -> list[int]:
        """Add lines to the journal; on a drive that is full, in the space that was kept for the lists."""
        try:
            return self.journal.append(entries)
        except OSError as error:
            if not drive_is_full(error) or not self.lists.has_reserve:
                raise
        self.lists.use_reserve()
        return self.journal.append(entries)

    def _give_name(self, arrival: Arrival) -> set[str]:
        final = self._at(arrival.entry.path)
        touched = self.folder.make_folders(parent(final))
        if arrival.replaces or arrival.entry.path in self.proofs:
            self.folder.replace(arrival.part, final)
        elif not self.folder.give_name(arrival.part, final):
            touched |= self.set_aside(arrival.entry.path)
            self.folder.replace(arrival.part, final)
        return touched | {parent(final)}

    def set_aside(self, path: str) -> set[str]:
        """Move a file out of the payload, overwriting nothing; return the folders touched."""
        changed = self.folder.make_folders(self._at(SET_ASIDE))
        name = path.rpartition("/")[2]
        there = {name for name, _ in self.folder.names(self._at(SET_ASIDE))}
        number = next(n for n in itertools.count(1) if f"{n} {name}" not in there)
        self.folder.replace(self._at(path), f"{self._at(SET_ASIDE)}/{number} {name}")
        return changed | {self._at(SET_ASIDE), parent(self._at(path))}

    # Ending

    def origins(self, paths: set[str]) -> dict[str, Origin]:
        """Return where files that wait to be proven came from.

        A drive that always reads back wrong does not give the journal either: the path says it then.
        """
        said = {e.path: (e.source, e.original) for _, e in self.journal.entries() if e.path in paths}
        return {path: said.get(path) or _origin_by(path) for path in paths}

    def give_up(self, path: str, source_is_there: bool) -> None:
        """Take a copy that cannot be proven out of the payload.

        Where its source is still there the copy is removed; else it may be all there is, and is kept.
        """
        if source_is_there:
            self.folder.remove(self._at(path))
            self.folder.flush_folders([parent(self._at(path))])
        else:
            self.folder.flush_folders(sorted(self.set_aside(path)))
        self.proofs.forget(path)

    def publish(self, finished: bool, new_sink: Callable[[], Sink]) -> None:
        """Write the manifest of all that is proven; a `finished` bag loses its journal.

        The manifest is flushed and read back before the journal goes. Each try to write it gives every
        entry to a sink of its own.
        """
        self.lists.publish(new_sink)
        if finished:
            self.journal.end()

    def close(self) -> None:
        """Close the journal."""
        with contextlib.suppress(OSError):  # all that counts was flushed
            self.journal.close()


def _origin_by(path: str) -> Origin:
    """Return the origin that a path in a night's bag stands for, unless its name was changed."""
    source, _, original = path.removeprefix(f"{PAYLOAD}/").partition("/")
    return source, original
