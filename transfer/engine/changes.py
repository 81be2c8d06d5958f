"""When to look at the sources again: after a report of the system's own, else by and by."""

from __future__ import annotations

import contextlib
import importlib
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

# Reports get lost: a share in the network sends none, a queue overflows, a folder comes later.
_REPORTED_LOOK_S = 120.0
_UNREPORTED_LOOK_S = 15.0
# A look at very large folders takes no more of a processor than one part in so many.
_AT_REST = 100.0
_CHANGES = frozenset(("created", "modified", "moved", "closed", "deleted"))


class Changes:
    """Says when to look at the folders again. Used from one thread; `close` ends its own.

    With the optional library watchdog the system reports changes; folders that are not there yet are
    watched once they are. Without it, and where the system reports nothing, the folders are looked at
    now and then. Two looks are `least_s` apart at least.
    """

    def __init__(
        self,
        folders: Iterable[Path],
        least_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._unwatched = list(folders)
        self._clock, self._least_s = clock, least_s
        self._changed = threading.Event()
        self._observer = _observer()
        self._looked_s = float("-inf")
        self._took_s = 0.0
        self._watch_what_is_there()

    def _watch_what_is_there(self) -> None:
        """Have the system report what happens below the folders that are there by now."""
        if self._observer is None:
            return
        for folder in [each for each in self._unwatched if each.is_dir()]:
            with contextlib.suppress(OSError, RuntimeError):  # such as no more watches for this user
                self._observer.schedule(_Handler(self._changed), str(folder), recursive=True)
                self._unwatched.remove(folder)

    @property
    def _interval_s(self) -> float:
        reported = self._observer is not None and not self._unwatched
        return max(_REPORTED_LOOK_S if reported else _UNREPORTED_LOOK_S, self._took_s * _AT_REST)

    def looked(self, took_s: float) -> None:
        """Record a look at the folders that has just ended, and how long a processor was at work on it."""
        self._looked_s, self._took_s = self._clock(), took_s

    def is_time(self, soonest_s: float | None) -> bool:
        """Return whether to look: something changed, it is long ago, or `soonest_s` has come."""
        now = self._clock()
        if self._changed.is_set():
            # What is written at this moment reports many changes a second.
            if now - self._looked_s < max(self._least_s, self._took_s * _AT_REST):
                return False
            self._changed.clear()
            return True
        if soonest_s is not None and now >= soonest_s and now - self._looked_s >= self._took_s * _AT_REST:
            return True
        if now - self._looked_s < self._interval_s:
            return False
        self._watch_what_is_there()
        return True

    def close(self) -> None:
        """End the reports."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join()


class _Handler:
    """What watchdog hands its reports to."""

    def __init__(self, changed: threading.Event) -> None:
        self._changed = changed

    def dispatch(self, event: Any) -> None:
        """Take one report; that a file was opened or read is none."""
        if event.event_type in _CHANGES:
            self._changed.set()


def _observer() -> Any:
    """Start watchdog's observer; None where the library is not installed, or the system has none."""
    try:
        observers = importlib.import_module("watchdog.observers")
        observer = observers.Observer()
        observer.daemon = True
        observer.start()
    except (ImportError, OSError, RuntimeError):
        return None
    return observer
