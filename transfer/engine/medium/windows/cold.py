"""Reading a group of files past the cache on Windows, as its vendor documents it; no counter backs it."""

from __future__ import annotations

import ctypes
import errno
import mmap
from collections.abc import Iterator
from typing import Protocol

from transfer.engine.medium.base import BLOCK_BYTES, ColdGroup, Evidence, ReadBack
from transfer.engine.medium.windows.calls import WindowsCalls
from transfer.engine.medium.windows.openings import (
    DRIVE_FIXED,
    DRIVE_REMOVABLE,
    FILE_TO_READ,
    UNBUFFERED,
    Opening,
    is_aligned,
)

# What a file system says that cannot read past its cache.
_CANNOT = (errno.EINVAL, errno.ENOTSUP)


class Opens(Protocol):
    """Opens a file below a pinned folder, no link; returns its handle and its size in bytes."""

    def __call__(self, path: str, how: Opening) -> tuple[int, int]: ...


class WindowsColdGroup(ColdGroup):
    """Files opened with FILE_FLAG_NO_BUFFERING, and the doubts met on the way."""

    def __init__(self, calls: WindowsCalls, opens: Opens, volume: str) -> None:
        self._calls = calls
        self._opens = opens
        self._buffer = mmap.mmap(-1, BLOCK_BYTES)
        self._aligned = is_aligned(
            BLOCK_BYTES, BLOCK_BYTES, _address(self._buffer), _sector_bytes(calls, volume)
        )
        local = calls.drive_type(volume) in (DRIVE_REMOVABLE, DRIVE_FIXED)
        self._doubt = "" if local else "what is behind a network drive has a cache of its own"

    def blocks(self, path: str) -> Iterator[memoryview]:
        handle, size_bytes = self._open(path)
        try:
            with memoryview(self._buffer) as whole:
                yield from self._read(handle, size_bytes, whole, path)
        finally:
            self._calls.close(handle)

    def _open(self, path: str) -> tuple[int, int]:
        if self._aligned:
            try:
                return self._opens(path, UNBUFFERED)
            except OSError as error:
                if error.errno not in _CANNOT:
                    raise
        self._doubt = self._doubt or "this file system does not read past its cache"
        return self._opens(path, FILE_TO_READ)

    def _read(self, handle: int, size_bytes: int, whole: memoryview, path: str) -> Iterator[memoryview]:
        """Read whole blocks up to the size: behind the short one at the end no offset is aligned."""
        left = size_bytes
        while left:
            taken = self._calls.read(handle, self._buffer)
            if taken < min(left, BLOCK_BYTES):
                raise OSError(errno.EIO, "the file ended before its size was reached", path)
            left -= taken
            with whole[:taken] as block:
                yield block

    def evidence(self) -> Evidence:
        if self._doubt:
            return Evidence(ReadBack.PERHAPS_MEMORY, self._doubt)
        return Evidence(ReadBack.MEDIUM, "read unbuffered, as the system documents it; no counter backs it")

    def close(self) -> None:
        self._buffer.close()


def _address(buffer: mmap.mmap) -> int:
    return ctypes.addressof(ctypes.c_char.from_buffer(buffer))


def _sector_bytes(calls: WindowsCalls, volume: str) -> int:
    """Return the size of a sector; 0, to which nothing is aligned, where it is not told."""
    try:
        return calls.sector_bytes(volume)
    except OSError:
        return 0
