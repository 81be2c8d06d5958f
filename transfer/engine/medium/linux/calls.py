"""The Linux system calls that Python does not offer whole: syncfs, cachestat, mincore, leases."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import mmap
import os
import re
import signal
from collections.abc import Iterator
from functools import cache

_CACHESTAT = 451  # the same number on every architecture (Linux 6.5, include/uapi/asm-generic/unistd.h)

_LOOKED_THROUGH_BYTES = 64 << 30
_SPAN_BYTES = 256 << 20
_SYNC_FILE_RANGE_WRITE = 2  # include/uapi/linux/fs.h


_FICLONE = 0x40049409  # include/uapi/linux/fs.h: _IOW(0x94, 9, int), as most architectures number it
_CANNOT_CLONE = (errno.EOPNOTSUPP, errno.ENOTTY, errno.EINVAL, errno.EXDEV, errno.ENOSYS, errno.EPERM)


class _Range(ctypes.Structure):
    _fields_ = (("offset", ctypes.c_uint64), ("length", ctypes.c_uint64))


class _Counts(ctypes.Structure):
    _fields_ = (
        ("cached", ctypes.c_uint64),
        ("dirty", ctypes.c_uint64),
        ("writeback", ctypes.c_uint64),
        ("evicted", ctypes.c_uint64),
        ("recently_evicted", ctypes.c_uint64),
    )


@cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _raise_errno() -> None:
    code = ctypes.get_errno()
    raise OSError(code, os.strerror(code))


@cache
def reports_lost_writes(release: str | None = None) -> bool:
    """Return whether syncfs reports writes that were lost: since Linux 5.8 (syncfs(2), "Versions")."""
    numbers = re.match(r"(\d+)\.(\d+)", release or os.uname().release)
    return numbers is not None and (int(numbers[1]), int(numbers[2])) >= (5, 8)


def syncfs(descriptor: int) -> None:
    """Flush the whole file system that the descriptor is on. Raises OSError."""
    if _libc().syncfs(ctypes.c_int(descriptor)) != 0:
        _raise_errno()


def flush_from(root: str) -> None:
    """Flush the whole file system that a folder is on. Raises OSError."""
    descriptor = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        syncfs(descriptor)
        os.fsync(descriptor)  # syncfs reaches no driver in user space
    finally:
        os.close(descriptor)


def start_writeback(descriptor: int) -> None:
    """Start the write-out of a file's or device's dirty pages: sync_file_range(2). Never raises.

    It is an encouragement; the flush that counts comes later and reports what was lost.
    """
    everything = (ctypes.c_int64(0), ctypes.c_int64(0))
    _libc().sync_file_range(ctypes.c_int(descriptor), *everything, ctypes.c_uint(_SYNC_FILE_RANGE_WRITE))


@contextlib.contextmanager
def read_lease(descriptor: int) -> Iterator[None]:
    """Take a read lease on an open file (fcntl(2), F_SETLEASE).

    Raises BlockingIOError where anyone has the file open for writing, OSError where no lease is to be had.
    """
    with _lease(descriptor, fcntl.F_RDLCK):
        yield


@contextlib.contextmanager
def write_lease(descriptor: int) -> Iterator[None]:
    """Take a write lease on an open file: who opens it meanwhile waits until it is let go of.

    Raises BlockingIOError where any other program has the file open, OSError where no lease is to be had.
    """
    with _lease(descriptor, fcntl.F_WRLCK):
        yield


@contextlib.contextmanager
def _lease(descriptor: int, kind: int) -> Iterator[None]:
    # A program that opens the file meanwhile breaks the lease. The signal that tells of it would by
    # default end this process; another one is asked for, which by default does nothing.
    fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
    fcntl.fcntl(descriptor, fcntl.F_SETLEASE, kind)
    try:
        yield
    finally:
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)


def cached_pages(descriptor: int, size_bytes: int) -> int | None:
    """Count the pages of an open file or block device that are in memory; None where that is unknown."""
    span, counts = _Range(0, 0), _Counts()
    result = _libc().syscall(
        ctypes.c_long(_CACHESTAT),
        ctypes.c_int(descriptor),
        ctypes.byref(span),
        ctypes.byref(counts),
        ctypes.c_uint(0),
    )
    if result == 0:
        return int(counts.cached)
    return resident_pages(descriptor, size_bytes)


def resident_pages(descriptor: int, size_bytes: int) -> int | None:
    """Count with mincore(2), which kernels before 6.5 offer; None where the system does not say.

    It looks at page after page: a whole disk would take it longer than reading a night back.
    """
    if size_bytes == 0:
        return 0
    if size_bytes > _LOOKED_THROUGH_BYTES:
        return None
    libc = _libc()
    libc.mmap.restype = ctypes.c_void_p
    libc.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
    address = libc.mmap(None, size_bytes, mmap.PROT_READ, mmap.MAP_SHARED, descriptor, 0)
    if address == ctypes.c_void_p(-1).value:
        return None
    try:
        spans = (
            _resident(address + start, min(_SPAN_BYTES, size_bytes - start))
            for start in range(0, size_bytes, _SPAN_BYTES)
        )
        counts = list(spans)
    finally:
        libc.munmap(ctypes.c_void_p(address), ctypes.c_size_t(size_bytes))
    return None if None in counts else sum(count for count in counts if count)


def _resident(address: int, size_bytes: int) -> int | None:
    seen = (ctypes.c_ubyte * -(-size_bytes // mmap.PAGESIZE))()
    told = _libc().mincore(ctypes.c_void_p(address), ctypes.c_size_t(size_bytes), seen)
    return sum(page & 1 for page in bytes(seen)) if told == 0 else None


def share_blocks(source: int, target: int) -> bool:
    """Make one open file share the blocks of another (ioctl_ficlone(2)); return whether that can be done."""
    try:
        fcntl.ioctl(target, _FICLONE, source)
    except OSError as error:
        if error.errno in _CANNOT_CLONE:
            return False
        raise
    return True
