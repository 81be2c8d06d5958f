"""The writing side of a copy: blocks come in, whole and flushed files come out.

One thread writes, one flushes the batch before while the next is written, and one has the device begin
early, so that it never idles. A flush after every file, or a device that first hears of the night when
the cache is full, is what separates a naive copy from the device's own speed.

On file systems in user space a write of one file that was lost can come out as an error of another
file's flush, after which the first file's flush succeeds. So an error voids every file since the last
good barrier, those written meanwhile included (Rebello et al., USENIX ATC 2020, for the kernel's part).
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass

from manifests.bags.builder import Content
from manifests.findings import Finding, FindingKind
from transfer.engine.medium import drive_has_left, drive_is_full
from transfer.engine.medium.base import write_all
from transfer.engine.reading import SourceRead
from transfer.engine.settling import Batch, Receiver, Written, void
from transfer.engine.task import Task
from transfer.errors import DoesNotFit, DriveFailed, NightferryError, unforeseen

BATCH_BYTES = 512 << 20
BATCH_FILES = 200
_NUDGE_BYTES = 8 << 20
_QUEUED_BLOCKS = 16
_FAILURES_ENDURED = 3
_LOOK_S = 0.2

# This drive cannot hold this file; the others are not concerned.
# (EINVAL is not among them: on Windows a device that left shows as that.)
_REFUSALS = frozenset({errno.EFBIG, errno.ENAMETOOLONG, errno.EILSEQ, errno.EOVERFLOW})


@dataclass(frozen=True, slots=True)
class _End:
    read: SourceRead
    content: Future[Content]


class _Drop:
    """The source could not be read to its end."""


class _Close:
    """No more files."""


_Item = Task | bytes | _End | type[_Drop | _Close]
Patience = Callable[[float], bool]


def _endless(_waited_s: float) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Words:
    """What is said when a lane ends before its time: what happened, and what to do next."""

    full: tuple[str, str]
    left: tuple[str, str]
    failing: tuple[str, str]


OF_A_DRIVE = Words(
    full=("The drive is full", "Make room, or send to another drive."),
    left=(
        "The drive left",
        "Plug it in again, then send again: what was proven is kept, the rest is carried.",
    ),
    failing=("Writing keeps failing", "Send to another drive, and don't trust this one."),
)


class Lane:
    """Writes for one receiver. Every method may be called from the reader's thread; none of them raises.

    After `finish`, `voided` holds the tasks to be carried again, `refused` those the drive cannot
    hold, `trouble` the last error met, and `failure` what ended the lane before its time; with `hangs`,
    its threads are still in the hands of the system, and what they carried has no list. `patience` is
    asked, with the seconds so far, whether to wait on for a drive that does not answer: one that hangs must
    not hold up the others.
    A batch is flushed when it has `batch_bytes`.
    """

    def __init__(
        self,
        receiver: Receiver,
        on_bytes: Callable[[int], None],
        patience: Patience = _endless,
        *,
        batch_bytes: int = BATCH_BYTES,
        words: Words = OF_A_DRIVE,
    ) -> None:
        self._receiver = receiver
        self._folder = receiver.folder
        self._batch_bytes = batch_bytes
        self._words = words
        self.voided: list[Task] = []
        self.refused: list[tuple[Task, Finding]] = []
        self.failure: NightferryError | None = None
        self.trouble = ""
        self._on_bytes = on_bytes
        self._patience = patience
        self.hangs = False
        self._inbox: queue.Queue[_Item] = queue.Queue(_QUEUED_BLOCKS)
        self._batches: queue.Queue[Batch | None] = queue.Queue(1)
        self._nudges: queue.Queue[int | None] = queue.Queue(1)
        self._failures = 0
        self._task: Task | None = None
        self._part = ""
        self._descriptor = -1
        self._size = 0
        self._unwritten = 0
        self._skipping = False
        self._batch = Batch(0)
        works = (self._write_all, self._flush_all, self._nudge_all)
        self._threads = [threading.Thread(target=work, daemon=True) for work in works]
        for thread in self._threads:
            thread.start()

    # The reader's side

    @property
    def has_ended(self) -> bool:
        """Whether nothing more is written to the drive."""
        return self.failure is not None or self.hangs

    def begin(self, task: Task) -> None:
        """Begin a file."""
        self._hand_over(task)

    def write(self, block: bytes) -> None:
        """Add the file's next bytes."""
        self._hand_over(block)

    def end(self, read: SourceRead, content: Future[Content]) -> None:
        """End the file."""
        self._hand_over(_End(read, content))

    def drop(self) -> None:
        """Forget the file: its source could not be read."""
        self._hand_over(_Drop)

    def finish(self) -> None:
        """Wait until everything is flushed and named, or the drive is taken to hang."""
        self._hand_over(_Close)
        for thread in self._threads:
            waited_s = 0.0
            while not self.hangs and thread.is_alive():
                thread.join(_LOOK_S)
                waited_s += _LOOK_S
                self._wait_on(waited_s)

    def _hand_over(self, item: _Item) -> None:
        waited_s = 0.0
        while not self.hangs:
            try:
                self._inbox.put(item, timeout=_LOOK_S)
                break
            except queue.Full:
                waited_s += _LOOK_S
                self._wait_on(waited_s)

    def _wait_on(self, waited_s: float) -> None:
        self.hangs = not self._patience(waited_s)

    # The writer's side

    def _write_all(self) -> None:
        while (item := self._inbox.get()) is not _Close:
            if self.failure is None:
                self._guard(self._take, item)
            elif isinstance(item, Task):
                self.voided.append(item)
        if self._task is not None:
            self.voided.append(self._task)  # the lane ended in the middle of it
        self._guard(self._abandon)
        self._seal()
        self._batches.put(None)
        self._nudges.put(None)

    def _take(self, item: object) -> None:
        if isinstance(item, Task):
            self._open(item)
        elif self._skipping:
            return
        elif isinstance(item, bytes):
            write_all(self._descriptor, item)
            self._size += len(item)
            self._on_bytes(len(item))
            self._nudge(len(item))
        elif isinstance(item, _End):
            self._close_whole(item)
        else:
            self._abandon()

    def _open(self, task: Task) -> None:
        self._task, self._size, self._skipping = task, 0, False
        self._part = self._receiver.new_part()
        self._descriptor = self._folder.create_file(self._part)

    def _nudge(self, count: int) -> None:
        """Have the device begin with what was written, now and then, if it is not being told already."""
        self._unwritten += count
        if self._unwritten >= _NUDGE_BYTES and self._nudges.empty():
            self._nudges.put(os.dup(self._descriptor))
            self._unwritten = 0

    def _nudge_all(self) -> None:
        """Tell the device in a thread of its own: a full queue of the device makes the telling wait."""
        while (descriptor := self._nudges.get()) is not None:
            try:
                self._folder.start_writing(descriptor)
                os.close(descriptor)
            except OSError as error:
                self._judge(error, whole_batch=True)

    def _close_whole(self, end: _End) -> None:
        """Count the file against its size and hand it to the batch."""
        if not self._size == end.read.size_bytes == os.fstat(self._descriptor).st_size:
            raise OSError(errno.EIO, "the copy has another size than its source", self._part)
        self._keep_time(end.read.modified_ns)
        assert self._task is not None
        self._batch.add(Written(self._task, self._part, self._descriptor, end.read, end.content))
        self._task, self._descriptor = None, -1
        if self._batch.size_bytes >= self._batch_bytes or len(self._batch.files) >= BATCH_FILES:
            self._seal()

    def _keep_time(self, modified_ns: int) -> None:
        """Give the copy its source's time, where the drive can: its entry has the time anyway."""
        try:
            self._folder.set_modified(self._descriptor, modified_ns)
        except OSError as error:
            if error.errno == errno.EIO or drive_has_left(error):
                raise

    def _seal(self) -> None:
        if self._batch.files:
            self._batches.put(self._batch)
        self._batch = Batch(self._failures)

    def _abandon(self) -> None:
        """Remove a file that was begun and will not be ended."""
        self._task = None
        if self._descriptor >= 0:
            descriptor, self._descriptor = self._descriptor, -1
            try:
                os.close(descriptor)
            finally:
                self._folder.remove(self._part)

    def _guard(self, act: Callable[..., None], *items: object) -> None:
        """Do one act of writing; an error ends the file, or all since the last barrier, or the lane."""
        try:
            act(*items)
        except OSError as error:
            self._skipping = True
            if self._task is not None:
                self._leave(self._task, error)
            self._judge(error, whole_batch=error.errno not in _REFUSALS)
            self._seal()
        except Exception as error:  # noqa: BLE001 - a thread that dies would leave the others waiting for ever
            self._break_down(error)

    def _leave(self, task: Task, error: OSError) -> None:
        if error.errno in _REFUSALS:
            self.refused.append((task, _refusal(error)))
        else:
            self.voided.append(task)
        with contextlib.suppress(OSError):
            # A part that stays is ours and no list knows it: the next run removes it.
            self._abandon()

    def _judge(self, error: OSError, whole_batch: bool) -> None:
        self.trouble = error.strerror or str(error)
        if drive_is_full(error):
            happened, step = self._words.full
            self.failure = DoesNotFit(happened, self._folder.path, step)
        elif drive_has_left(error):
            self.failure = self._failed(error, self._words.left)
        elif whole_batch:
            self._failures += 1
            if self._failures > _FAILURES_ENDURED:
                self.failure = self._failed(error, self._words.failing)

    def _failed(self, error: OSError, words: tuple[str, str]) -> DriveFailed:
        happened, step = words
        return DriveFailed(f"{happened} ({error.strerror})", self._folder.path, step)

    def _break_down(self, error: Exception) -> None:
        self.failure = self.failure or unforeseen(error, self._folder.path)

    # The flusher's side

    def _flush_all(self) -> None:
        while (batch := self._batches.get()) is not None:
            try:
                self._settle_unless_void(batch)
            except NightferryError as error:
                self._void(batch)
                self.failure = error
            except OSError as error:
                self._void(batch)
                self._judge(error, whole_batch=True)
            except Exception as error:  # noqa: BLE001 - as above
                self._void(batch)
                self._break_down(error)

    def _settle_unless_void(self, batch: Batch) -> None:
        """Settle a batch, unless a write or a flush has failed since its first file was begun."""
        if batch.failures_before == self._failures:
            self._receiver.settle(batch)
        else:
            self._void(batch)

    def _void(self, batch: Batch) -> None:
        self.voided += void(batch, self._folder)


def _refusal(error: OSError) -> Finding:
    if error.errno == errno.EFBIG:
        return Finding(FindingKind.TOO_LARGE, "the drive refused it while it was written")
    return Finding(FindingKind.NOT_PROVEN, f"the drive refuses it ({error.strerror})")
