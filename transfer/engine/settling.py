"""A batch of written files flushed together, then each given its place in the bag."""

from __future__ import annotations

import contextlib
import os
from concurrent.futures import Future
from dataclasses import dataclass, field

from manifests.bags.builder import Content
from manifests.bags.entries import Entry
from manifests.findings import Finding, FindingKind
from manifests.frames.nights import date_findings
from transfer.engine.open_bag import Arrival, OpenBag
from transfer.engine.reading import SourceRead
from transfer.engine.task import Task


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


def settle(batch: Batch, bag: OpenBag) -> None:
    """Flush a batch and give each file its place. Raises OSError and DriveFailed: nothing is known then."""
    bag.folder.flush_files([written.descriptor for written in batch.files])
    for written in batch.files:
        written.close()
    arrivals = []
    for written in batch.files:
        arrival = _arrival(written, bag)
        if arrival is None:
            bag.folder.remove(written.part)
        else:
            arrivals.append(arrival)
    bag.take(arrivals)


def void(batch: Batch, bag: OpenBag) -> list[Task]:
    """Take a batch's files off the drive, as far as it lets them go; give what is to be carried again."""
    for written in batch.files:
        with contextlib.suppress(OSError):
            written.close()
        with contextlib.suppress(
            OSError
        ):  # one that stays, or has its name already, is the next run's matter
            bag.folder.remove(written.part)
    return [written.task for written in batch.files]


def _arrival(written: Written, bag: OpenBag) -> Arrival | None:
    """Decide the place of a whole file; None where the bag has its content already."""
    content, older = written.content.result(), written.task.older
    entry = _entry(written, content)
    if older is None:
        return Arrival(written.part, entry, replaces=False)
    if content.digests.sha256 == older.sha256:
        bag.refresh(entry, older)
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
        findings=(*task.findings, *read.findings, *_what_it_says(content, task)),
    )


def _what_it_says(content: Content, task: Task) -> tuple[Finding, ...]:
    return (*content.inspection.findings, *date_findings(content.inspection, task.night))
