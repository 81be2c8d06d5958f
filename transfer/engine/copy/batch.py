"""A batch of written files flushed together, then each given its place in the bag."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Protocol

from manifests.bags.builder import Content
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.nights import date_findings
from transfer.engine.bag.durable import remove_if_there
from transfer.engine.bag.open import Arrival, OpenBag
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.medium import PinnedFolder


@dataclass(slots=True)
class Written:
    """A file written whole, still open, and what its bytes say as soon as they are digested."""

    task: Task
    part: str
    descriptor: int
    read: SourceRead
    content: Future[Content]

    def close(self) -> None:
        """Let go of the file, once. Raises OSError: some file systems tell of a lost write only here."""
        descriptor, self.descriptor = self.descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)


@dataclass(slots=True)
class Batch:
    """Files to be flushed together. `failures_before` counts what had failed when the first was begun."""

    failures_before: int
    files: list[Written] = field(default_factory=list)
    size_bytes: int = 0

    def add(self, written: Written) -> None:
        """Add a file."""
        self.files.append(written)
        self.size_bytes += written.read.size_bytes


class Receiver(Protocol):
    """Takes what a lane writes. Its methods raise OSError and NightferryError."""

    @property
    def folder(self) -> PinnedFolder:
        """The pinned folder that parts are made below."""

    def new_part(self) -> str:
        """Give a path below it for a file that has no name yet; never the same twice."""

    def settle(self, batch: Batch) -> None:
        """Flush a batch, close its files, and give each its place."""


@dataclass(frozen=True, slots=True)
class OneBag:
    """Takes everything into one bag, each file to the place that its task names.

    `on_refused` is told of a file whose name the drive refuses, and why; `flushing` is entered, with the
    bytes that wait, for as long as a flush takes.
    """

    bag: OpenBag
    on_refused: Callable[[Task, str], None]
    flushing: Callable[[int], AbstractContextManager[None]]

    @property
    def folder(self) -> PinnedFolder:
        """The drive."""
        return self.bag.folder

    def new_part(self) -> str:
        """Give a path in the bag's incoming folder."""
        return self.bag.new_part()

    def settle(self, batch: Batch) -> None:
        """Flush a batch and give each file its place. Nothing is known of the batch where that fails."""
        with self.flushing(batch.size_bytes):
            flush(batch, self.folder)
        arrivals, tasks = [], {}
        for written in batch.files:
            tasks[written.part] = written.task
            arrival = _arrival(written, self.bag)
            if arrival is None:
                self.folder.remove(written.part)
            else:
                arrivals.append(arrival)
        self.bag.take(arrivals, lambda arrival, error: self._refuse(tasks[arrival.part], arrival.part, error))

    def _refuse(self, task: Task, part: str, error: OSError) -> None:
        remove_if_there(self.folder, part)  # one driver refuses a name and has taken the file away by then
        self.on_refused(task, error.strerror or str(error))


def flush(batch: Batch, folder: PinnedFolder) -> None:
    """Flush a batch's files and close them. Raises OSError: nothing is known of any of them then."""
    folder.flush_files([written.descriptor for written in batch.files])
    for written in batch.files:
        written.close()


def void(batch: Batch, folder: PinnedFolder) -> list[Task]:
    """Take a batch's files off the drive, as far as it lets them go; give what is to be carried again."""
    for written in batch.files:
        with contextlib.suppress(OSError):
            written.close()
        with contextlib.suppress(OSError):
            # One that stays, or has its name already, is the next run's matter.
            folder.remove(written.part)
    return [written.task for written in batch.files]


def _arrival(written: Written, bag: OpenBag) -> Arrival | None:
    """Decide the place of a whole file; None where the bag has its content already."""
    content, older = written.content.result(), written.task.older
    entry = _entry(written, content)
    if older is None:
        return Arrival(written.part, entry, replaces=False)
    if content.digests.sha256 == older.sha256:
        bag.lists.refresh(entry, older)
        return None
    if content.prefixes.get(older.size_bytes) == older.sha256:
        return Arrival(written.part, entry, replaces=True)
    return _beside(written.part, entry, bag)


def _beside(part: str, entry: Entry, bag: OpenBag) -> Arrival:
    path = bag.listed.claim(entry.path)
    finding = Finding(FindingKind.KEPT_BOTH, f"the other is {entry.path}")
    return Arrival(part, entry.at(path, finding), replaces=False)


def _entry(written: Written, content: Content) -> Entry:
    task, read = written.task, written.read
    return Entry(
        path=task.path,
        size_bytes=content.size_bytes,
        digests=content.digests,
        modified_ns=read.modified_ns,
        created_ns=read.created_ns,
        source=task.file.source,
        original=task.file.path,
        night=task.night,
        growing=read.growing,
        frame=content.inspection.frame,
        findings=(*task.findings, *read.findings, *_what_it_says(content, task, read.modified_ns)),
    )


def _what_it_says(content: Content, task: Task, modified_ns: int) -> tuple[Finding, ...]:
    dated = date_findings(content.inspection, task.night, modified_ns)
    return (*content.inspection.findings, *dated)
