"""One source, opened read-only and read once, as it was when it was opened."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from dataclasses import dataclass

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import Medium, PinnedFolder
from transfer.engine.medium.base import BLOCK_BYTES, SizeAndTimesNs


@dataclass(frozen=True, slots=True)
class SourceRead:
    """What the file system said of a source that was read to its end.

    Times are nanoseconds since 1970, from before the read: a source that changes meanwhile is seen to
    have changed by the next run. `growing` asks the next run to read it again whatever they say.
    """

    size_bytes: int
    modified_ns: int
    created_ns: int | None
    growing: bool
    findings: tuple[Finding, ...]


class OpenSource:
    """A source held open for one read. Raises OSError where it cannot be opened or read.

    Below a pinned `below` the path is relative, and leads through no link to another device.
    """

    def __init__(self, medium: Medium, path: str, below: PinnedFolder | None = None) -> None:
        self._medium = medium
        self._path = path
        self._descriptor = medium.open_source(path) if below is None else below.open_file(path)
        self._before = medium.size_and_times(self._descriptor)

    def blocks(self) -> Iterator[bytes]:
        """Read as many bytes as the file had when it was opened, in order.

        What is appended meanwhile belongs to the next run. An end that comes before the size is a
        failed read in disguise (facts of user-space file systems), unless the file was cut.
        """
        left = self._before.size_bytes
        while left:
            block = os.read(self._descriptor, min(left, BLOCK_BYTES))
            if not block:
                self._explain_the_end(self._before.size_bytes - left)
                return
            left -= len(block)
            yield block

    def _explain_the_end(self, count: int) -> None:
        if self._medium.size_and_times(self._descriptor).size_bytes > count:
            raise OSError(errno.EIO, "the file ended before its size was reached", self._path)

    def end(self, count: int) -> SourceRead:
        """Say what the read of `count` bytes gave. Raises OSError."""
        after = self._medium.size_and_times(self._descriptor)
        written = self._medium.is_being_written(self._descriptor)
        finding = self._what_changed(after, bool(written))
        return SourceRead(
            size_bytes=count,
            modified_ns=self._before.modified_ns,
            created_ns=self._before.created_ns,
            growing=finding is not None,
            findings=() if finding is None else (finding,),
        )

    def _what_changed(self, after: SizeAndTimesNs, written: bool) -> Finding | None:
        if after.size_bytes < self._before.size_bytes:
            return Finding(FindingKind.CHANGED_WHILE_READ, "it became shorter")
        if after.size_bytes > self._before.size_bytes:
            return Finding(FindingKind.STILL_GROWING, "it grew while it was read")
        if after.modified_ns != self._before.modified_ns:
            return Finding(FindingKind.CHANGED_WHILE_READ, "it was written to")
        if written:
            return Finding(FindingKind.STILL_GROWING, "its program still has it open")
        return None

    def close(self) -> None:
        """Close the source."""
        os.close(self._descriptor)
