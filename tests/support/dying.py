"""Runs that die: a child process is killed in the middle of its nth act on a disk."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from transfer.engine.medium import PinnedFolder, this_computer


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

    def before(self, act: Callable[..., Any]) -> Callable[..., Any]:
        """Return an act that is counted before it is done."""

        def counted(*arguments: Any, **more: Any) -> Any:
            self.act()
            return act(*arguments, **more)

        return counted


_ACTS = ("create_file", "replace", "remove", "make_folders", "flush_files", "flush_folders")


class DyingMedium(type(this_computer())):
    """This computer, for a process that is killed before its nth act on a disk; None is never."""

    def __init__(self, last: int | None) -> None:
        super().__init__()
        self.counter = _Counter(last)

    def pin(self, path: Path) -> PinnedFolder:
        folder = super().pin(path)
        for name in _ACTS:
            setattr(folder, name, self.counter.before(getattr(folder, name)))
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
