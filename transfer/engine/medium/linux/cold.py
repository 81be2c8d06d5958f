"""Reading a group of files past the caches on Linux, and what backs the claim."""

from __future__ import annotations

import mmap
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from transfer.engine.medium.base import BLOCK_BYTES, ColdGroup, Evidence, ReadBack
from transfer.engine.medium.linux.allowing import command_to_read
from transfer.engine.medium.linux.calls import cached_pages
from transfer.engine.medium.linux.mounts import Mount
from transfer.engine.medium.posix import PosixFolder

_SECTOR_BYTES = 512  # the unit of /sys/…/stat, whatever the device's own sector
_ATTEMPTS = 100
_REST_S = 0.005


class ColdWatch:
    """What a folder's device serves, counted from when its cache was last emptied.

    Whatever the device's cache holds after that came from the medium after that, so it is emptied once
    for a whole read-back and not for each file; and since a device reads ahead of what is asked for, its
    count is held against all that was read so far.
    """

    def __init__(self, mount: Mount, counter: Path | None, block_device: int | None) -> None:
        self._mount = mount
        self._counter = counter
        self._block_device = block_device
        self._left: int | None = None
        self._served_before: int | None = None
        self._read_bytes = 0

    def chill(self) -> None:
        """Empty the device's cache and begin to count."""
        self._left = self._empty_device_cache()
        self._served_before = _bytes_served(self._counter)
        self._read_bytes = 0

    def _empty_device_cache(self) -> int | None:
        """Return how many pages stay, None where that is unknown; the kernel's drivers have no such cache."""
        if not self._mount.in_user_space:
            return 0
        if self._block_device is None:
            return None
        return _evict(self._block_device, os.lseek(self._block_device, 0, os.SEEK_END))

    @property
    def counts(self) -> bool:
        """Whether a device counts what it serves of this file system."""
        return self._counter is not None

    def count(self, size_bytes: int) -> None:
        """Count bytes that were read."""
        self._read_bytes += size_bytes

    @property
    def _may_not_read(self) -> str:
        return f"this user may not read {self._mount.source}, whose cache may hold the copy"

    def remedy(self, doubt: str) -> str:
        """Return the command that takes the cause of a doubt away; empty where there is none."""
        return command_to_read(self._mount.source) if doubt == self._may_not_read else ""

    def doubt(self) -> str:
        """Say why what was read since may have come from memory; empty where it did not."""
        served = _bytes_served(self._counter)
        if served is None or self._served_before is None:
            return f"no device counts the reads of this file system ({self._mount.file_system})"
        if self._block_device is None and self._mount.in_user_space:
            return self._may_not_read
        if self._left is None:
            return f"this system does not tell what the cache of {self._mount.source} holds"
        if self._left:
            return f"{self._left} pages stayed in the device's cache"
        if served - self._served_before < self._read_bytes // _SECTOR_BYTES * _SECTOR_BYTES:
            return "the device served less than was read"
        return ""


class LinuxColdGroup(ColdGroup):
    """Evicts its files on entering, reads them, and asks the watch what backs it."""

    def __init__(self, folder: PosixFolder, paths: Sequence[str], watch: ColdWatch) -> None:
        self._descriptors: dict[str, int] = {}
        self._refused: dict[str, OSError] = {}
        self._watch = watch
        self._in_memory: list[int | None] = []
        try:
            for path in paths:
                self._open(folder, path)
            self._evict_all()
        except OSError:
            self.close()
            raise

    def _evict_all(self) -> None:
        # Where nothing counts there is nothing to be proven, and a file that lives in memory never leaves it.
        attempts = _ATTEMPTS if self._watch.counts else 1
        for descriptor in self._descriptors.values():
            self._in_memory.append(_evict(descriptor, os.fstat(descriptor).st_size, attempts))

    def _open(self, folder: PosixFolder, path: str) -> None:
        try:
            self._descriptors[path] = folder.open_file(path)
        except OSError as error:
            self._refused[path] = error

    def blocks(self, path: str) -> Iterator[memoryview]:
        if path in self._refused:
            raise self._refused[path]
        buffer = mmap.mmap(-1, BLOCK_BYTES)
        try:
            with memoryview(buffer) as whole:
                for block in _read_into(self._descriptors[path], whole):
                    self._watch.count(len(block))
                    yield block
        finally:
            buffer.close()

    def evidence(self) -> Evidence:
        doubt = self._doubt()
        if doubt:
            return Evidence(ReadBack.PERHAPS_MEMORY, doubt, self._watch.remedy(doubt))
        return Evidence(ReadBack.MEDIUM, "caches emptied and looked into, reads counted by the device")

    def _doubt(self) -> str:
        if not self._watch.counts:
            return self._watch.doubt()
        if None in self._in_memory:
            return "this system does not tell what is in memory"
        left = sum(count for count in self._in_memory if count)
        return f"{left} pages stayed in memory" if left else self._watch.doubt()

    def close(self) -> None:
        while self._descriptors:
            os.close(self._descriptors.popitem()[1])


def _evict(descriptor: int, size_bytes: int, attempts: int = _ATTEMPTS) -> int | None:
    """Drop an open file's or device's pages and count what stays.

    A page that is being read ahead, or that another processor has just touched, survives the first
    attempt: more are made until it has come to rest.
    """
    left: int | None = None
    for attempt in range(attempts):
        if attempt:
            time.sleep(_REST_S)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        left = cached_pages(descriptor, size_bytes)
        if not left:
            break
    return left


def _read_into(descriptor: int, whole: memoryview) -> Iterator[memoryview]:
    while taken := os.readv(descriptor, [whole]):
        with whole[:taken] as block:
            yield block


def counter_file(device: int, mount: Mount) -> Path | None:
    """Find the counters of the device: by st_dev, else by what was mounted."""
    for number in (device, _device_number(mount.source)):
        if number is not None:
            found = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}/stat")
            if found.exists():
                return found
    return None


def _device_number(source: str) -> int | None:
    try:
        return os.stat(source).st_rdev or None  # noqa: PTH116 - `source` need not be a path at all
    except (OSError, ValueError):
        return None


def bytes_taken(counter: Path | None) -> int | None:
    """Read how many bytes the device was given to write: the seventh column, in sectors of 512 bytes."""
    return _bytes_in(counter, column=6)


def _bytes_served(counter: Path | None) -> int | None:
    """Read how many bytes the device has served: the third column, in sectors of 512 bytes."""
    return _bytes_in(counter, column=2)


def _bytes_in(counter: Path | None, column: int) -> int | None:
    if counter is None:
        return None
    try:
        return int(counter.read_text().split()[column]) * _SECTOR_BYTES
    except (OSError, ValueError, IndexError):
        return None
