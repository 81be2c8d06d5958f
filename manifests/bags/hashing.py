"""Digests files, each read once: one thread reads ahead while another digests."""

from __future__ import annotations

import errno
import os
import queue
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from manifests.bags.containment import open_ordinary
from manifests.bags.digests import Block
from manifests.bags.inventory import Expected
from manifests.bags.paths import shown

Read = Callable[[Path], Iterator[Block]]

_BLOCK_BYTES = 1 << 20
# Enough for the reader not to wait for a digest, and little enough that memory stays flat. Small files
# go from thread to thread by the hundred: handing over costs more than digesting them.
_BATCHES_AHEAD = 8
_BATCH_BYTES = _BLOCK_BYTES
_BATCH_MESSAGES = 200

# The device is gone, and with it every file that is still to come (not only the one being read).
_GONE = frozenset((errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESHUTDOWN))
# The same on Windows: ERROR_NOT_READY, ERROR_NO_SUCH_DEVICE, ERROR_DEVICE_NOT_CONNECTED (winerror.h).
_GONE_ON_WINDOWS = frozenset((21, 433, 1167))


class Job(NamedTuple):
    """One file to digest: its path in the bag, where to read it, and what it must be."""

    path: str
    file: Path
    expected: tuple[Expected, ...]


@dataclass(frozen=True, slots=True)
class Digested:
    """The result of reading one file: `wrong` says what differs, `unreadable` why nothing is known."""

    job: Job
    size_bytes: int
    wrong: str = ""
    unreadable: str = ""


class _Ended(NamedTuple):
    """The end of one file, in order or by an error."""

    error: OSError | None


_Message = tuple[Job, Block | _Ended]
_Batch = list[_Message] | BaseException | None


def read_plainly(path: Path) -> Iterator[bytes]:
    """Read an ordinary file in order, as the operating system gives it. Raises OSError.

    Nothing is done about caches: right after writing, this proves memory rather than the medium.
    """
    with open_ordinary(path) as file:
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
        ask_for = min(os.fstat(file.fileno()).st_size + 1, _BLOCK_BYTES)
        while block := file.read(ask_for):
            yield block


def digest_files(
    folder: Path, jobs: Iterable[Job], read: Read, progress: Callable[[int], None]
) -> Generator[Digested, None, None]:
    """Digest files in the order given, below a `folder` that must stay on the device it is on now.

    `progress` is called with the size of each digested block, in the calling thread. Where the device is
    gone, or another folder stands in its place, the rest is unreadable and nothing more is opened.
    """
    batches: queue.Queue[_Batch] = queue.Queue(_BATCHES_AHEAD)
    reader = _Reader(folder, read, batches)
    threading.Thread(target=reader.run, args=(jobs,), name="reading ahead", daemon=True).start()
    try:
        yield from _digest(_messages(batches), progress)
    finally:
        reader.stop()


def _messages(batches: queue.Queue[_Batch]) -> Iterator[_Message]:
    while (batch := batches.get()) is not None:
        if isinstance(batch, BaseException):
            raise batch
        yield from batch


def _digest(messages: Iterator[_Message], progress: Callable[[int], None]) -> Iterator[Digested]:
    states: dict[str, Any] | None = None
    size_bytes = 0
    for job, what in messages:
        states = _new_states(job) if states is None else states
        if isinstance(what, _Ended):
            yield _ended(job, what, size_bytes, states)
            states, size_bytes = None, 0
            continue
        for state in states.values():
            state.update(what)
        size_bytes += len(what)
        progress(len(what))


def _new_states(job: Job) -> dict[str, Any]:
    algorithms = (one.manifest.algorithm for one in job.expected)
    return {algorithm.name: algorithm.new() for algorithm in algorithms if algorithm is not None}


def _ended(job: Job, end: _Ended, size_bytes: int, states: dict[str, Any]) -> Digested:
    if end.error is not None:
        return Digested(job, size_bytes, unreadable=end.error.strerror or str(end.error))
    wrong = filter(None, (_difference(one, states) for one in job.expected))
    return Digested(job, size_bytes, wrong="; ".join(wrong))


def _difference(expected: Expected, states: dict[str, Any]) -> str:
    algorithm = expected.manifest.algorithm
    if algorithm is None:
        return ""
    found = algorithm.finish(states[algorithm.name], expected.digest)
    if found == expected.digest:
        return ""
    where = shown(expected.manifest.name)
    return f"{algorithm.name} is {found.hex()}, not {expected.digest.hex()} as {where} says"


class _Reader:
    """The thread that reads ahead."""

    def __init__(self, folder: Path, read: Read, batches: queue.Queue[_Batch]) -> None:
        self._folder = folder
        self._read = read
        self._batches = batches
        self._batch: list[_Message] = []
        self._batch_bytes = 0
        self._stopped = threading.Event()
        self._device = self._device_now()
        self._gone: OSError | None = None

    def run(self, jobs: Iterable[Job]) -> None:
        """Read every job's file; hand any error to the thread that digests."""
        try:
            for job in jobs:
                self._read_one(job)
                if self._stopped.is_set():
                    return
            self._hand_over()
        except BaseException as error:  # noqa: BLE001 - raised again where it is taken out
            self._batches.put(error)
        else:
            self._batches.put(None)

    def stop(self) -> None:
        """Ask the reader to end, and drop batches that wait. A read that hangs is not waited for."""
        self._stopped.set()
        while not self._batches.empty():
            self._batches.get_nowait()

    def _read_one(self, job: Job) -> None:
        error = self._gone or self._replaced()
        if error is None:
            try:
                for block in self._read(job.file):
                    # A block is only valid until the next one is asked for, unless it cannot change.
                    self._tell(job, block if isinstance(block, bytes) else bytes(block), len(block))
                    if self._stopped.is_set():
                        return
            except OSError as caught:
                error = caught
        if error is not None and _device_is_gone(error):
            self._gone = error
        self._tell(job, _Ended(error), 0)

    def _tell(self, job: Job, what: Block | _Ended, size_bytes: int) -> None:
        self._batch.append((job, what))
        self._batch_bytes += size_bytes
        if self._batch_bytes >= _BATCH_BYTES or len(self._batch) >= _BATCH_MESSAGES:
            self._hand_over()

    def _hand_over(self) -> None:
        self._batches.put(self._batch)
        self._batch, self._batch_bytes = [], 0

    def _replaced(self) -> OSError | None:
        """Return an error where another folder is mounted here now: a drive can leave silently."""
        if self._device_now() == self._device:
            return None
        return OSError(errno.ENODEV, "the drive left, or another folder took its place")

    def _device_now(self) -> int | None:
        try:
            return self._folder.stat().st_dev
        except OSError:
            return None


def _device_is_gone(error: OSError) -> bool:
    return error.errno in _GONE or getattr(error, "winerror", None) in _GONE_ON_WINDOWS
