"""Runs that die: a child process is killed in the middle of its nth act on a disk."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.linux.medium import LinuxFolder, LinuxMedium


class _Counter:
    """Counts acts, and kills the process at the one it was told."""

    def __init__(self, last: int | None) -> None:
        self.count = 0
        self._last = last
        self._lock = threading.Lock()

    def act(self) -> None:
        with self._lock:
            self.count += 1
            if self.count == self._last:
                os.kill(os.getpid(), signal.SIGKILL)


class _DyingFolder(LinuxFolder):
    """A pinned folder whose acts are counted, each before it is done."""

    counter: _Counter

    def create_file(self, path: str) -> int:
        self.counter.act()
        return super().create_file(path)

    def replace(self, old: str, new: str) -> None:
        self.counter.act()
        super().replace(old, new)

    def remove(self, path: str) -> None:
        self.counter.act()
        super().remove(path)

    def make_folders(self, path: str) -> set[str]:
        self.counter.act()
        return super().make_folders(path)

    def flush_files(self, descriptors: Sequence[int]) -> None:
        self.counter.act()
        super().flush_files(descriptors)

    def flush_folders(self, paths: Sequence[str]) -> None:
        self.counter.act()
        super().flush_folders(paths)


class DyingMedium(LinuxMedium):
    """Linux, for a process that is killed before its nth act; None is never."""

    def __init__(self, last: int | None) -> None:
        self.counter = _Counter(last)

    def pin(self, path: Path) -> PinnedFolder:
        folder = _DyingFolder(path)
        folder.counter = self.counter
        return folder


def died(run: Callable[[DyingMedium], object], last: int) -> bool:
    """Run something in a child that is killed before its nth act; return whether it came so far."""
    child = os.fork()
    if child == 0:
        try:
            run(DyingMedium(last))
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)
