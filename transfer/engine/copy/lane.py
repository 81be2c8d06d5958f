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
import os
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass

from manifests.bags.builder import Content
from manifests.findings import Finding
from transfer.engine.copy.batch import Batch, Receiver, void
from transfer.engine.copy.part import Part
from transfer.engine.copy.source import SourceRead
from transfer.engine.copy.task import Task
from transfer.engine.copy.troubles import OF_A_DRIVE, Troubles, Words, is_refusal, refusal
from transfer.errors import NightferryError

BATCH_BYTES = 512 << 20
BATCH_FILES = 200
_NUDGE_BYTES = 8 << 20
_QUEUED_BLOCKS = 16
_LOOK_S = 0.2


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
        self._troubles = Troubles(receiver.folder, words)
        self.voided: list[Task] = []
        self.refused: list[tuple[Task, Finding]] = []
        self._on_bytes = on_bytes
        self._patience = patience
        self.hangs = False
        self._inbox: queue.Queue[_Item] = queue.Queue(_QUEUED_BLOCKS)
        self._batches: queue.Queue[Batch | None] = queue.Queue(1)
        self._nudges: queue.Queue[int | None] = queue.Queue(1)
        self._part = Part(receiver)
        self._unwritten = 0
        self._skipping = False
        self._batch = Batch(0)
        works = (self._write_all, self._flush_all, self._nudge_all)
        self._threads = [threading.Thread(target=work, daemon=True) for work in works]
        for thread in self._threads:
            thread.start()

    @property
    def failure(self) -> NightferryError | None:
        """What ended the lane before its time."""
        return self._troubles.failure

    @property
    def trouble(self) -> str:
        """The last error met, in words."""
        return self._troubles.last

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
        if self._part.task is not None:
            self.voided.append(self._part.task)  # the lane ended in the middle of it
        self._guard(self._part.abandon)
        self._seal()
        self._batches.put(None)
        self._nudges.put(None)

    def _take(self, item: object) -> None:
        if isinstance(item, Task):
            self._skipping = False
            self._part.begin(item)
        elif self._skipping:
            return
        elif isinstance(item, bytes):
            self._part.write(item)
            self._on_bytes(len(item))
            self._nudge(len(item))
        elif isinstance(item, _End):
            self._close_whole(item)
        else:
            self._part.abandon()

    def _nudge(self, count: int) -> None:
        """Have the device begin to write, now and then, unless it is already being asked to."""
        self._unwritten += count
        if self._unwritten >= _NUDGE_BYTES and self._nudges.empty():
            self._nudges.put(os.dup(self._part.descriptor))
            self._unwritten = 0

    def _nudge_all(self) -> None:
        """Ask the device in a thread of its own: a full queue of the device makes the call wait."""
        while (descriptor := self._nudges.get()) is not None:
            try:
                self._folder.start_writing(descriptor)
                os.close(descriptor)
            except OSError as error:
                self._troubles.judge(error, whole_batch=True)

    def _close_whole(self, end: _End) -> None:
        """End the file and hand it to the batch."""
        self._batch.add(self._part.end(end.read, end.content))
        if self._batch.size_bytes >= self._batch_bytes or len(self._batch.files) >= BATCH_FILES:
            self._seal()

    def _seal(self) -> None:
        if self._batch.files:
            self._batches.put(self._batch)
        self._batch = Batch(self._troubles.count)

    def _guard(self, act: Callable[..., None], *items: object) -> None:
        """Do one act of writing; an error ends the file, or all since the last barrier, or the lane."""
        try:
            act(*items)
        except OSError as error:
            self._skipping = True
            if self._part.task is not None:
                self._leave(self._part.task, error)
            self._troubles.judge(error, whole_batch=not is_refusal(error))
            self._seal()
        except Exception as error:  # noqa: BLE001 - a thread that dies would leave the others waiting for ever
            self._troubles.break_down(error)

    def _leave(self, task: Task, error: OSError) -> None:
        if is_refusal(error):
            self.refused.append((task, refusal(error)))
        else:
            self.voided.append(task)
        with contextlib.suppress(OSError):
            # A part that stays is ours and no list knows it: the next run removes it.
            self._part.abandon()

    # The flusher's side

    def _flush_all(self) -> None:
        while (batch := self._batches.get()) is not None:
            try:
                self._settle_unless_void(batch)
            except NightferryError as error:
                self._void(batch)
                self._troubles.failure = error
            except OSError as error:
                self._void(batch)
                self._troubles.judge(error, whole_batch=True)
            except Exception as error:  # noqa: BLE001 - as above
                self._void(batch)
                self._troubles.break_down(error)

    def _settle_unless_void(self, batch: Batch) -> None:
        """Settle a batch, unless a write or a flush has failed since its first file was begun."""
        if batch.failures_before == self._troubles.count:
            self._receiver.settle(batch)
        else:
            self._void(batch)

    def _void(self, batch: Batch) -> None:
        self.voided += void(batch, self._folder)
