"""Read each source once and feed every lane that wants it; digests and header come from the same bytes."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import NamedTuple, Self

from manifests.bags.builder import Content, ContentBuilder, Wanted
from manifests.findings import Finding, FindingKind
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.source import OpenSource
from transfer.engine.copy.task import Task
from transfer.engine.medium import Medium, PinnedFolder
from transfer.engine.sources import SourceFile
from transfer.stop import Stop

_QUEUED_BLOCKS = 16
_TRIES = 3
_PAUSE_S = 1.0


@dataclass(frozen=True, slots=True)
class Work:
    """One source, where it is, and the task it is for each lane that wants it.

    With `below`, a pinned folder, the path is relative to that. `others` are further digests to make.
    """

    file: SourceFile
    path: str
    tasks: Mapping[Lane, Task]
    below: PinnedFolder | None = None
    others: tuple[Wanted, ...] = ()


@dataclass(frozen=True, slots=True)
class NotCarried:
    """A source that could not be read, and why."""

    work: Work
    finding: Finding


class _StoppedMidway(Exception):
    """The run has to end before the file does."""


class _Attempt(NamedTuple):
    """A work to be tried, for the `number`th time, and not before the clock shows `due_s`."""

    work: Work
    number: int = 1
    due_s: float = 0.0


class Copier:
    """Carries works to their lanes. One reader (the caller), one digester, and the lanes' own threads.

    Used as a context.
    """

    def __init__(self, medium: Medium, stop: Stop, clock: Callable[[], float] = time.monotonic) -> None:
        self._medium = medium
        self._stop = stop
        self._clock = clock
        self._locked: deque[_Attempt] = deque()
        self._digests = _Digests()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._digests.close()

    def carry(self, works: Iterable[Work], go_on: Callable[[], bool]) -> tuple[list[NotCarried], list[Work]]:
        """Carry works in the order in which they come; there may be no end to them.

        Return those whose source could not be read, and those that were taken from `works` and not carried
        when `go_on` ended the run: what `works` has not given by then is left in it. A source that another
        program holds locked is tried again, twice at most: after a pause, or once the others are carried.
        """
        failed: list[NotCarried] = []
        coming = iter(works)
        while (attempt := self._next(coming)) is not None:
            try:
                finding = self._carry_one(attempt.work, go_on)
            except _StoppedMidway:
                left = [each.work for each in (*self._locked, attempt)]
                self._locked.clear()
                return failed, left
            if finding is None:
                continue
            if finding.kind is FindingKind.LOCKED and attempt.number < _TRIES:
                due_s = self._clock() + _PAUSE_S
                self._locked.append(_Attempt(attempt.work, attempt.number + 1, due_s))
            else:
                failed.append(NotCarried(attempt.work, finding))
        return failed, []

    def _next(self, coming: Iterator[Work]) -> _Attempt | None:
        """Return what to try next: what was locked and is due, else what comes; None at the end of both."""
        if self._locked and self._locked[0].due_s <= self._clock():
            return self._locked.popleft()
        work = next(coming, None)
        if work is not None:
            return _Attempt(work)
        if not self._locked:
            return None
        self._stop.pause(max(self._locked[0].due_s - self._clock(), 0.0))
        return self._locked.popleft()

    def _carry_one(self, work: Work, go_on: Callable[[], bool]) -> Finding | None:
        if not go_on():
            raise _StoppedMidway
        try:
            source = OpenSource(self._medium, work.path, work.below)
        except OSError as error:
            return self._explain(error)
        try:
            self._feed(source, work, go_on)
        except OSError as error:
            self._drop(work)
            return self._explain(error)
        except _StoppedMidway:
            self._drop(work)
            raise
        finally:
            source.close()
        return None

    def _feed(self, source: OpenSource, work: Work, go_on: Callable[[], bool]) -> None:
        content = self._digests.begin(work)
        for lane, task in work.tasks.items():
            lane.begin(task)
        count = 0
        for block in source.blocks():
            if not go_on():
                raise _StoppedMidway
            self._digests.feed(block)
            for lane in work.tasks:
                lane.write(block)
            count += len(block)
            self._stop.pace(len(block))
        read = source.end(count)
        self._digests.end()
        for lane in work.tasks:
            lane.end(read, content)

    def _drop(self, work: Work) -> None:
        for lane in work.tasks:
            lane.drop()

    def _explain(self, error: OSError) -> Finding:
        if isinstance(error, FileNotFoundError):
            return Finding(FindingKind.VANISHED, "it was there when the sources were looked at")
        if self._medium.is_locked(error):
            return Finding(FindingKind.LOCKED, "tried three times; the next run tries again")
        return Finding(FindingKind.UNREADABLE, error.strerror or str(error))


@dataclass(frozen=True, slots=True)
class _FileBegins:
    name: str
    prefix_sizes: frozenset[int]
    others: tuple[Wanted, ...]
    content: Future[Content]


class _FileEnds:
    """The file is whole."""


class _NoMore:
    """No more files."""


class _Digests:
    """The thread that digests and inspects what the reader reads."""

    def __init__(self) -> None:
        self._inbox: queue.Queue[_FileBegins | bytes | type[_FileEnds | _NoMore]] = queue.Queue(
            _QUEUED_BLOCKS
        )
        self._thread = threading.Thread(target=self._work, name="digester", daemon=True)
        self._thread.start()

    def begin(self, work: Work) -> Future[Content]:
        """Begin a file; return where its content will be found once the file is ended."""
        sizes = frozenset(task.older.size_bytes for task in work.tasks.values() if task.older is not None)
        content: Future[Content] = Future()
        self._inbox.put(_FileBegins(work.file.path, sizes, work.others, content))
        return content

    def feed(self, block: bytes) -> None:
        """Add the file's next bytes."""
        self._inbox.put(block)

    def end(self) -> None:
        """End the file."""
        self._inbox.put(_FileEnds)

    def close(self) -> None:
        """End the thread."""
        self._inbox.put(_NoMore)
        self._thread.join()

    def _work(self) -> None:
        builder, content = ContentBuilder(""), Future[Content]()
        while (item := self._inbox.get()) is not _NoMore:
            try:
                if isinstance(item, _FileBegins):
                    content = item.content
                    builder = ContentBuilder(item.name, item.prefix_sizes, item.others)
                elif isinstance(item, bytes):
                    builder.feed(item)
                elif not content.done():
                    content.set_result(builder.finish())
            except Exception as fault:  # noqa: BLE001 - nobody must wait for ever for the content or this thread
                if not content.done():
                    content.set_exception(fault)
