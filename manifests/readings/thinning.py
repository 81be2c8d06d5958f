"""Readings made fewer: one record for each ten seconds of a quantity, with all that is asked of it later.

A power box may write fifty readings a second. A record has the first and the last of its readings, the
lowest, the highest and their count, so that a night's first, last, lowest, highest and count stay exact.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

BUCKET_US = 10 * 1_000_000


@dataclass(frozen=True, slots=True)
class ReadingRecord:
    """The readings of one quantity in one ten seconds; `moment_us` is the first one's (UTC, since 1970).

    `lasted_us` is how long what was read went on: the exposure of a frame; 0 for a reading of a log.
    """

    moment_us: int
    first: float
    last: float
    lowest: float
    highest: float
    count: int
    lasted_us: int = 0


@dataclass(slots=True)
class _Open:
    moment_us: int
    first: float
    last: float
    lowest: float
    highest: float
    count: int


class Thinning:
    """Takes the readings of one log in any order, and passes records on; `close` passes on the last ones."""

    def __init__(self, pass_on: Callable[[int, ReadingRecord], None]) -> None:
        self._pass_on = pass_on
        self._open: dict[int, _Open] = {}

    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        """Take one reading."""
        now = self._open.get(quantity)
        if now is not None and moment_us // BUCKET_US == now.moment_us // BUCKET_US:
            now.last = value
            now.count += 1
            if value < now.lowest:
                now.lowest = value
            elif value > now.highest:
                now.highest = value
            return
        if now is not None:
            self._pass_on(quantity, _record(now))
        self._open[quantity] = _Open(moment_us, value, value, value, value, 1)

    def close(self) -> None:
        """Pass on what is left."""
        for quantity, now in self._open.items():
            self._pass_on(quantity, _record(now))
        self._open.clear()


def _record(now: _Open) -> ReadingRecord:
    return ReadingRecord(now.moment_us, now.first, now.last, now.lowest, now.highest, now.count)
