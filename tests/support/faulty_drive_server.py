"""The program behind faulty_drive.py: serves one mount that makes faults."""

from __future__ import annotations

import errno
import os
import re
import sys
import threading
from typing import Any

from mfusepy import FUSE, FuseOSError, Operations


class Fault:
    """One rule; see faulty_drive.py."""

    def __init__(self, rule: str) -> None:
        self.call, where, first, count, self.what = rule.split("|")
        self._where = re.compile(where)
        self._from, self._count = int(first), int(count)
        self._seen = 0

    def strikes(self, call: str, path: str) -> bool:
        """Count a call; return whether it is one that goes wrong."""
        if call != self.call or not self._where.search(path):
            return False
        self._seen += 1
        return self._from <= self._seen < self._from + self._count


class _Operations(Operations):  # type: ignore[misc]
    """What the kernel asks for; see mfusepy's documentation for each call."""

    use_ns = True

    def __init__(self, behind: str, log: str, faults: list[Fault]) -> None:
        self._behind = behind
        self._faults = faults
        self._lock = threading.Lock()
        self._log = os.open(log, os.O_WRONLY | os.O_APPEND)
        self._paths: dict[int, str] = {}

    def init(self, path: str) -> None:
        os.write(1, b"mounted\n")

    def _real(self, path: str) -> str:
        return self._behind + path

    def _note(self, *words: object) -> None:
        line = "\t".join(map(str, words)) + "\n"
        os.write(self._log, line.encode(errors="surrogateescape"))

    def _fault(self, call: str, path: str) -> str:
        with self._lock:
            # Every rule counts every call.
            struck = [fault.what for fault in self._faults if fault.strikes(call, path)]
        if not struck:
            return ""
        self._note("fault", call, path, struck[0])
        if struck[0] == "hang":
            threading.Event().wait()
        if struck[0] in errno.errorcode.values():
            raise FuseOSError(getattr(errno, struck[0]))
        return struck[0]

    # Names

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        facts = os.lstat(self._real(path))
        names = ("st_mode", "st_nlink", "st_uid", "st_gid", "st_size", "st_ino", "st_blocks")
        times = {f"st_{which}time": getattr(facts, f"st_{which}time_ns") for which in "amc"}
        return {name: getattr(facts, name) for name in names} | times

    def readdir(self, path: str, fh: int) -> list[tuple[str, dict[str, int], int]]:
        self._fault("readdir", path)
        here = self._real(path)
        names = [".", "..", *os.listdir(here)]
        # A name without a number would be passed over by the C library.
        return [(name, self._kind(os.lstat(f"{here}/{name}")), 0) for name in names]

    @staticmethod
    def _kind(facts: os.stat_result) -> dict[str, int]:
        return {"st_mode": facts.st_mode, "st_ino": facts.st_ino}

    def mkdir(self, path: str, mode: int) -> int:
        self._fault("mkdir", path)
        os.mkdir(self._real(path), mode)
        return 0

    def rmdir(self, path: str) -> int:
        os.rmdir(self._real(path))
        return 0

    def unlink(self, path: str) -> int:
        self._fault("unlink", path)
        os.unlink(self._real(path))
        return 0

    def rename(self, old: str, new: str) -> int:
        self._fault("rename", new)
        os.rename(self._real(old), self._real(new))
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        self._fault("utimens", path)
        os.utime(self._real(path), ns=times)
        return 0

    def statfs(self, path: str) -> dict[str, int]:
        full = self._fault("statfs", path) == "full"
        facts = os.statvfs(self._behind)
        names = (
            "f_bavail",
            "f_bfree",
            "f_blocks",
            "f_bsize",
            "f_files",
            "f_ffree",
            "f_frsize",
            "f_namemax",
        )
        told = {name: getattr(facts, name) for name in names}
        return told | ({"f_bavail": 0, "f_bfree": 0} if full else {})

    # Content

    def create(self, path: str, mode: int, fi: Any = None) -> int:
        self._fault("create", path)
        return self._opened(path, os.open(self._real(path), os.O_RDWR | os.O_CREAT | os.O_EXCL, mode))

    def open(self, path: str, flags: int) -> int:
        self._fault("open", path)
        return self._opened(path, os.open(self._real(path), flags & ~(os.O_CREAT | os.O_EXCL)))

    def _opened(self, path: str, fh: int) -> int:
        self._paths[fh] = path
        return fh

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        what = self._fault("read", path)
        content = os.pread(fh, size, offset)
        self._note("read", path, len(content))
        return _spoiled(content, what)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        what = self._fault("write", path)
        if what == "drop":
            os.pwrite(fh, bytes(len(data)), offset)
            return len(data)
        spoiled = _spoiled(data, what)
        os.pwrite(fh, spoiled, offset)
        return len(spoiled)

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        os.truncate(self._real(path), length)
        return 0

    def flush(self, path: str, fh: int) -> int:
        self._fault("flush", path)
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        self._fault("fsync", path)
        return 0

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        self._fault("fsyncdir", path)
        return 0

    def release(self, path: str, fh: int) -> int:
        os.close(fh)
        return 0


def _spoiled(content: bytes, what: str) -> bytes:
    if what == "short":
        return content[: len(content) // 2]
    if what == "flip" and content:
        middle = len(content) // 2
        return content[:middle] + bytes([content[middle] ^ 0x10]) + content[middle + 1 :]
    return content


def serve(behind: str, path: str, log: str, rules: list[str]) -> None:
    """Serve the mount until somebody ends it."""
    operations = _Operations(behind, log, [Fault(rule) for rule in rules])
    FUSE(
        operations,
        path,
        foreground=True,
        nothreads=False,
        use_ino=True,
        hard_remove=True,
        default_permissions=True,
    )


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:])
