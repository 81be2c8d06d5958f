"""An archive opened for questions: its index is brought up to date first, or built where there is none."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from manifests.findings import Finding
from manifests.index.faults import IndexBusy, IndexDamaged, IndexFault, IndexOlder, IndexUnusable, NoIndex
from manifests.index.names import AS_ARCHIVED, ShownNames
from manifests.index.opening import Index, open_index
from manifests.index.schema import INDEX_NAME
from transfer.archive.freshness import is_as_it_was
from transfer.archive.notes import (
    BagsChanged,
    Building,
    Built,
    ForThisRunOnly,
    NotUpToDate,
    Tell,
    nobody,
)
from transfer.archive.presence import Presence
from transfer.archive.typed_names import renamed
from transfer.archive.whereabouts import faults_as_errors, no_archive, not_there
from transfer.errors import NightferryError

if TYPE_CHECKING:
    from manifests.index.frame_query import FrameQuery, FrameRow
    from manifests.index.refreshing import Refreshed

Answer = TypeVar("Answer")

# A person with a question would rather have what is known than wait for a long run of another program.
_PATIENCE_S = 2.0


class Browsed:
    """An archive that answers questions. `findings` are about its bags and folders, paths below `root`."""

    def __init__(self, root: Path, index: Index, findings: list[Finding], tell: Tell) -> None:
        self.root = root
        self.index = index
        self.findings = findings
        self._tell = tell

    def ask(self, question: Callable[[Index], Answer]) -> Answer:
        """Return a question's answer; where the index turns out damaged, it is built again first.

        Raises NightferryError.
        """
        with faults_as_errors(self.root):
            try:
                return question(self.index)
            except IndexDamaged as damage:
                self._build_again(damage)
                return question(self.index)

    def frames(self, query: FrameQuery, shown: ShownNames = AS_ARCHIVED) -> Iterator[FrameRow]:
        """Return the frames that a question finds, one by one, under the names that are `shown`.

        A frame whose file is not there is absent, as one whose bag is not. The first is looked for at once.
        Raises NightferryError; where damage shows only after the first, the index is built again, and the
        caller has to ask once more.
        """
        from manifests.index.frames import frames

        first, rest = self.ask(lambda index: _begun(frames(index, query)))
        rows = self._with_absent_files(self._from(first, rest))
        rows = rows if query.absent else (row for row in rows if not row.absent)
        return (renamed(row, shown) for row in rows) if shown else rows

    def _with_absent_files(self, rows: Iterator[FrameRow]) -> Iterator[FrameRow]:
        presence = Presence(self.root)
        for row in rows:
            is_there = row.absent or presence.has(row.bag, row.path)
            yield row if is_there else replace(row, absent=True)

    def _from(self, first: tuple[FrameRow, ...], rest: Iterator[FrameRow]) -> Iterator[FrameRow]:
        yield from first
        with faults_as_errors(self.root):
            try:
                yield from rest
            except IndexDamaged as damage:
                self._build_again(damage)
                happened = "The index was damaged: what was listed is not all. It has been built again"
                raise NightferryError(happened, self.index.path, "Ask again.") from damage

    def _build_again(self, damage: IndexDamaged) -> None:
        from manifests.index.rebuilding import rebuild
        from transfer.archive.whereabouts import on_network

        self._tell(Building(damage.happened))
        self.close()
        report = rebuild(self.root, on_network=on_network(self.root))
        self.findings[:] = report.refreshed.findings
        self.index = open_index(self.root / INDEX_NAME)
        self._tell(Built(report))

    def close(self) -> None:
        """Close the index."""
        with suppress(IndexFault):  # nothing was written through it
            self.index.close()


@contextmanager
def browsed(root: Path, tell: Tell = nobody) -> Iterator[Browsed]:
    """Open the archive in a folder for questions.

    The index reflects bags that came, went or changed by hand before the first answer. Where the folder
    cannot be written to, an index is made for this run alone. Raises NotThere, Busy, and NightferryError for
    an index of a newer version, which stays untouched.
    """
    with ExitStack() as stack:
        with faults_as_errors(root):
            opening = _Opening(root, tell, stack)
            archive = Browsed(root, opening.index(), opening.findings, tell)
        stack.callback(archive.close)
        yield archive


def _begun(rows: Iterator[FrameRow]) -> tuple[tuple[FrameRow, ...], Iterator[FrameRow]]:
    first = next(rows, None)
    return (() if first is None else (first,)), rows


class _Opening:
    """Opens an index that says what the bags say now: the one there is, brought up to date, or a new one."""

    def __init__(self, root: Path, tell: Tell, stack: ExitStack) -> None:
        self.findings: list[Finding] = []
        self._root = root
        self._path = root / INDEX_NAME
        self._tell = tell
        self._stack = stack

    def index(self) -> Index:
        if not os.path.isdir(self._root):  # noqa: PTH112 - a Path's raises where a driver in user space has died
            raise not_there(self._root)
        try:
            index = open_index(self._path)
        except NoIndex:
            return self._built("")
        except IndexDamaged as damage:
            return self._built(damage.happened)
        except IndexOlder as older:
            return self._for_this_run(older)
        if is_as_it_was(index, self._root):
            return index
        index.close()
        return self._brought_up_to_date()

    def _built(self, damage: str) -> Index:
        from manifests.index.rebuilding import bring_up_to_date
        from transfer.archive.whereabouts import is_an_archive, on_network

        if not (damage or is_an_archive(self._root)):
            raise no_archive(self._root)
        self._tell(Building(damage))
        try:
            report = bring_up_to_date(self._root, on_network=on_network(self._root))
        except IndexUnusable as fault:
            return self._for_this_run(fault)
        self.findings += report.refreshed.findings
        self._tell(Built(report))
        return open_index(self._path)

    def _brought_up_to_date(self) -> Index:
        from manifests.index.rebuilding import bring_up_to_date
        from transfer.archive.whereabouts import on_network

        shared = on_network(self._root)
        try:
            report = bring_up_to_date(self._root, on_network=shared, patience_s=_PATIENCE_S)
        except IndexBusy as fault:
            self._tell(NotUpToDate(fault))
            return open_index(self._path)
        except IndexUnusable as fault:
            return self._for_this_run(fault)
        self.findings += report.refreshed.findings
        self._tell_changes(report.refreshed)
        return open_index(self._path)

    def _for_this_run(self, fault: IndexFault) -> Index:
        """Make an index in a temporary folder, from the archive's where it is sound, and the bags."""
        from manifests.index.found_bags import bags_of
        from manifests.index.refreshing import refresh
        from manifests.index.scratch import scratch_folder

        self._tell(ForThisRunOnly(fault))
        path = self._stack.enter_context(scratch_folder()) / INDEX_NAME
        copied = self._copied_to(path)
        index = self._stack.enter_context(open_index(path, write=True, on_network=True))
        refreshed = refresh(index, bags_of(self._root))
        self.findings += refreshed.findings
        if copied:
            self._tell_changes(refreshed)
        return index

    def _copied_to(self, path: Path) -> bool:
        """Copy the archive's index, the only record of absent bags; return whether there was a sound one."""
        from manifests.index.opening import open_place

        try:
            with open_index(self._path) as old, open_place(path, on_network=True) as copy:
                old.connection.backup(copy.connection)
        except IndexFault:
            return False
        return True

    def _tell_changes(self, refreshed: Refreshed) -> None:
        if refreshed.read or refreshed.moved or refreshed.vanished or refreshed.returned:
            self._tell(BagsChanged(refreshed))
