"""Reading a group of files past the caches on Linux, and what backs the claim."""

from __future__ import annotations

import mmap
import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from transfer.engine.medium.base import BLOCK_BYTES, ColdGroup, Evidence, ReadBack
from transfer.engine.medium.linux_calls import cached_pages
from transfer.engine.medium.linux_mounts import Mount
from transfer.engine.medium.posix import PosixFolder

_SECTOR_BYTES = 512  # the unit of /sys/…/stat, whatever the device's own sector
_ATTEMPTS = 100
_REST_S = 0.005


class LinuxColdGroup(ColdGroup):
    """Evicts on entering, reads, and holds the device's count against what was read."""

    def __init__(self, folder: PosixFolder, paths: Sequence[str], mount: Mount, device: int | None) -> None:
        self._descriptors: dict[str, int] = {}
        self._refused: dict[str, OSError] = {}
        self._mount = mount
        self._device = device
        for path in paths:
            self._open(folder, path)
        self._counter = _counter_file(folder.device, mount)
        self._in_memory = self._evict()
        self._before = _bytes_served(self._counter)

    def _open(self, folder: PosixFolder, path: str) -> None:
        try:
            self._descriptors[path] = folder.open_file(path)
        except OSError as error:
            self._refused[path] = error

    def _evict(self) -> int | None:
        """Drop what is cached and count what stays; None where that cannot be told."""
        counts = [
            _evict(descriptor, os.fstat(descriptor).st_size) for descriptor in self._descriptors.values()
        ]
        if self._mount.in_user_space:
            counts.append(
                None if self._device is None else _evict(self._device, os.lseek(self._device, 0, os.SEEK_END))
            )
        return None if None in counts else sum(count for count in counts if count)

    def blocks(self, path: str) -> Iterator[memoryview]:
        if path in self._refused:
            raise self._refused[path]
        buffer = mmap.mmap(-1, BLOCK_BYTES)
        try:
            with memoryview(buffer) as whole:
                yield from _read_into(self._descriptors[path], whole)
        finally:
            buffer.close()

    def evidence(self, size_bytes: int) -> Evidence:
        doubt = self._doubt(size_bytes // _SECTOR_BYTES * _SECTOR_BYTES)
        if doubt:
            return Evidence(ReadBack.PERHAPS_MEMORY, doubt)
        return Evidence(ReadBack.MEDIUM, "caches emptied and looked into, reads counted by the device")

    def _doubt(self, size_bytes: int) -> str:
        """Say why the bytes may have come from memory; empty where they did not."""
        served = _bytes_served(self._counter)
        if served is None or self._before is None:
            return f"no device counts the reads of this file system ({self._mount.file_system})"
        if self._in_memory is None:
            return f"this user may not read {self._mount.source}, whose cache may hold the copy"
        if self._in_memory:
            return f"{self._in_memory} pages stayed in memory"
        if served - self._before < size_bytes:
            return "the device served less than was read"
        return ""

    def close(self) -> None:
        while self._descriptors:
            os.close(self._descriptors.popitem()[1])


def _evict(descriptor: int, size_bytes: int) -> int | None:
    """Drop an open file's or device's pages and count what stays.

    A page that is being read ahead, or that another processor has just touched, survives the first
    attempt: more are made until it has come to rest.
    """
    left: int | None = None
    for _ in range(_ATTEMPTS):
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        left = cached_pages(descriptor, size_bytes)
        if not left:
            break
        time.sleep(_REST_S)
    return left


def _read_into(descriptor: int, whole: memoryview) -> Iterator[memoryview]:
    while taken := os.readv(descriptor, [whole]):
        with whole[:taken] as block:
            yield block


def _counter_file(device: int, mount: Mount) -> Path | None:
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


def _bytes_served(counter: Path | None) -> int | None:
    """Read how many bytes the device has served: the third column, in sectors of 512 bytes."""
    if counter is None:
        return None
    try:
        return int(counter.read_text().split()[2]) * _SECTOR_BYTES
    except (OSError, ValueError, IndexError):
        return None
