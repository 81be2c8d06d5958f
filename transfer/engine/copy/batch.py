"""A batch of written files, which are flushed together."""

from __future__ import annotations

import contextlib
import os
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Protocol

from manifests.bags.builder import Content
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.medium import PinnedFolder


@dataclass(slots=True)
class Written:
    """A file written whole, still open; `content` is there as soon as its bytes are digested."""

    task: Task
    part: str
    descriptor: int
    read: SourceRead
    content: Future[Content]

    def close(self) -> None:
        """Close the file, once. Raises OSError: some file systems report a lost write only here."""
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
        """Return a path below it for a file that has no name yet; never the same twice."""

    def settle(self, batch: Batch) -> None:
        """Flush a batch, close its files, and give each its place."""


def flush(batch: Batch, folder: PinnedFolder) -> None:
    """Flush a batch's files and close them. Raises OSError; then none of them may be taken for written."""
    folder.flush_files([written.descriptor for written in batch.files])
    for written in batch.files:
        written.close()


def void(batch: Batch, folder: PinnedFolder) -> list[Task]:
    """Remove a batch's files, as far as the drive lets them go; return what has to be carried again."""
    for written in batch.files:
        with contextlib.suppress(OSError):
            written.close()
        with contextlib.suppress(OSError):
            # One that stays, or has its name already, is the next run's matter.
            folder.remove(written.part)
    return [written.task for written in batch.files]
