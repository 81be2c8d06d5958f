"""Why a run has to end before its work is done (a time limit, a signal), and how fast it may read."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

# A slow stick may be busy with half a gigabyte that it is to flush; a good one answers long before this.
_PATIENCE_S = 300.0
_PATIENCE_WHEN_ASKED_S = 45.0
# Where more waits than the rate reads in this time, the run goes faster, up to so many times its rate.
_BEHIND_S = 20.0
_MOST_TIMES = 4.0


class Stop:
    """Asked by every loop of the engine whether to go on.

    `time_limit_s` counts from when this is made; None is no limit, and `limit_s` is then infinite. With
    `bytes_per_s`, files are read no faster than that; where it is `elastic`, faster while much waits. Safe to
    use from any thread and from a signal handler.
    """

    def __init__(
        self,
        time_limit_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
        bytes_per_s: float | None = None,
        *,
        elastic: bool = False,
    ) -> None:
        self._clock = clock
        self._bytes_per_s = self._least_bytes_per_s = bytes_per_s
        self._elastic = elastic
        self._hurries = threading.Event()
        self._moved_s = clock()
        self._paid_until_s = clock()
        self.limit_s = float("inf") if time_limit_s is None else time_limit_s
        self._deadline = None if time_limit_s is None else clock() + time_limit_s
        self._asked = threading.Event()
        self._why = ""

    def ask(self, why: str) -> None:
        """End the run soon, in order; `why` is for the receipt."""
        self._why = self._why or why
        self._asked.set()

    @property
    def why(self) -> str:
        """Why the run has to end; empty while it may go on."""
        if self._asked.is_set():
            return self._why
        return "the time limit was reached" if self.left_s() <= 0 else ""

    @property
    def signalled(self) -> bool:
        """Whether somebody asked, rather than the clock."""
        return self._asked.is_set()

    def left_s(self) -> float:
        """Return the seconds that are left: infinite without a limit."""
        return float("inf") if self._deadline is None else self._deadline - self._clock()

    def has_patience(self, waited_s: float) -> bool:
        """Return whether to wait on for a device that has not answered for so many seconds."""
        patience_s = _PATIENCE_WHEN_ASKED_S if self.signalled else _PATIENCE_S
        return waited_s < patience_s and self.left_s() > 0

    def pause(self, seconds: float) -> None:
        """Wait, but no longer than until somebody asks."""
        self._asked.wait(min(seconds, max(self.left_s(), 0)))

    def hurry(self) -> None:
        """Read as fast as the system can from now on."""
        self._hurries.set()
        self._paid_until_s = self._moved_s = self._clock()

    def take_time(self) -> None:
        """Read no faster than the rate again, where there is one."""
        self._hurries.clear()

    def still_s(self) -> float:
        """Return for how many seconds nothing has been read, counted from a hurry at the earliest."""
        return self._clock() - self._moved_s

    def keep_up_with(self, waiting_bytes: int) -> None:
        """Where the rate is elastic, go as fast as it takes to read so many bytes in 20 seconds.

        Never slower than the rate, nor faster than four times.
        """
        least = self._least_bytes_per_s
        if self._elastic and least is not None:
            self._bytes_per_s = min(max(least, waiting_bytes / _BEHIND_S), _MOST_TIMES * least)

    def pace(self, size_bytes: int) -> None:
        """Record that so many bytes were read, and wait as long as the rate demands, if there is one."""
        self._moved_s = self._clock()
        rate = self._bytes_per_s
        if rate is None or self._hurries.is_set():
            return
        self._paid_until_s = max(self._paid_until_s, self._clock()) + size_bytes / rate
        self.pause(self._paid_until_s - self._clock())
