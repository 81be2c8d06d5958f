"""The program behind recorder.py: serves one file, a device's backing, and records what reaches it."""

from __future__ import annotations

import errno
import os
import stat
import struct
import sys
import time
from typing import Any

from mfusepy import FUSE, FuseOSError, Operations

NAME = "device"
# One record: a write (with its bytes behind it) or a flush; the nanosecond, the offset, the length.
HEAD = struct.Struct("<cQQQ")
WRITE, FLUSH = b"w", b"f"


class _Operations(Operations):  # type: ignore[misc]
    """What the kernel asks for; see mfusepy's documentation for each call."""

    use_ns = True

    def __init__(self, backing: str, log: str) -> None:
        self._backing = os.open(backing, os.O_RDWR)
        self._log = os.open(log, os.O_WRONLY | os.O_APPEND)

    def init(self, path: str) -> None:
        os.write(1, b"mounted\n")

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        if path == "/":
            return {"st_mode": stat.S_IFDIR | 0o700, "st_nlink": 2}
        if path == f"/{NAME}":
            return {
                "st_mode": stat.S_IFREG | 0o600,
                "st_nlink": 1,
                "st_size": os.fstat(self._backing).st_size,
            }
        raise FuseOSError(errno.ENOENT)

    def readdir(self, path: str, fh: int) -> list[str]:
        return [".", "..", NAME]

    def open(self, path: str, flags: int) -> int:
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        return os.pread(self._backing, size, offset)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        self._record(WRITE, offset, data)
        return os.pwrite(self._backing, data, offset)

    def flush(self, path: str, fh: int) -> int:
        """Do nothing: a descriptor that is closed flushes no device."""
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        self._record(FLUSH, 0, b"")
        return 0

    def _record(self, kind: bytes, offset: int, data: bytes) -> None:
        # In one write: who reads the log's length has whole records.
        os.write(self._log, HEAD.pack(kind, time.time_ns(), offset, len(data)) + data)


def serve(backing: str, path: str, log: str) -> None:
    """Serve the mount until somebody ends it; one call after another, so that their order is known."""
    FUSE(_Operations(backing, log), path, foreground=True, nothreads=True, big_writes=True)


if __name__ == "__main__":
    serve(*sys.argv[1:4])
