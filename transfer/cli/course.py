"""How far a run has come over copying, flushing and reading back, in bytes, and how long the rest takes."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from transfer.events import Ahead, BytesDone, Event, FileBegan, Phase, PhaseBegan, PhaseEnded
from transfer.words import size_told

# What was expected of a drive counts as much as its first seconds, and what it did a minute ago little.
_EXPECTED_S = 2.0
_FADES_S = 40.0
_SAMPLE_S = 0.5
# A flush goes on beside copying as long as there is room in memory: nothing was copied for so long.
_QUIET_S = 0.9


class _Rate:
    """Bytes per second of late, beginning with what is expected."""

    def __init__(self, expected: float) -> None:
        self._bytes, self._seconds = expected * _EXPECTED_S, _EXPECTED_S

    def add(self, size_bytes: int, took_s: float) -> None:
        kept = math.exp(-took_s / _FADES_S)
        self._bytes = self._bytes * kept + size_bytes
        self._seconds = self._seconds * kept + took_s

    def takes_s(self, size_bytes: int) -> float:
        return 0.0 if not size_bytes else size_bytes * self._seconds / max(self._bytes, 1.0)


class _Half:
    """Half of the work, copying or reading back: `done` bytes of `total`, at a rate."""

    def __init__(self, total: int, expected: float) -> None:
        self.total = total
        self.rate = _Rate(expected)
        self.done = 0
        self._sampled = 0
        self._more = 0

    def expect(self, total: int) -> None:
        """Take a new total; what has to be done again stays on top of it."""
        self.total = total + self._more

    def more(self, size_bytes: int) -> None:
        """Count bytes that have to be done again."""
        self._more += size_bytes
        self.total += size_bytes

    def reach(self, done: int) -> None:
        """Come so far; never back."""
        self.done = max(self.done, done)
        self.total = max(self.total, self.done)

    def sample(self, took_s: float, at_work: bool) -> None:
        """Measure the rate, where something was at work."""
        if at_work:
            self.rate.add(self.done - self._sampled, took_s)
        self._sampled = self.done

    @property
    def left_s(self) -> float:
        """How long the rest takes, in seconds."""
        return self.rate.takes_s(self.total - self.done)


class Course:
    """Follows a run by its events.

    Where the system counts what the devices take, a byte counts as copied when the device has it, or when a
    flush has ended; elsewhere when it was handed to the system, and a flush shows how long it takes.
    """

    def __init__(self, ahead: Ahead, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._began_s = self._sampled_s = clock()
        self._ahead = ahead
        self._copied = _Half(ahead.write_bytes, ahead.write_bytes_per_s)
        self._read = _Half(ahead.read_bytes, ahead.read_bytes_per_s)
        self._handed = self._flushed = self._mark = 0
        self._at_work: dict[tuple[Phase, str], int] = {}
        self._ended: set[tuple[Phase, str]] = set()
        self._flush_began_s = self._handed_s = self._began_s
        self.phase = Phase.COPYING
        self.file = ""

    # What happens

    def take(self, event: Event) -> None:
        """Follow one event."""
        match event:
            case Ahead():
                self._ahead = event
                self._copied.expect(event.write_bytes)
                self._read.expect(event.read_bytes)
            case PhaseBegan():
                self._begin(event)
            case PhaseEnded():
                self._end(event)
            case BytesDone(phase=Phase.COPYING):
                self._handed += event.size_bytes
                self._handed_s, self.phase = self._clock(), Phase.COPYING
            case BytesDone(phase=Phase.READING_BACK):
                self._read.reach(self._read.done + event.size_bytes)
            case FileBegan():
                self.phase, self.file = event.phase, event.path
            case _:
                pass

    def _begin(self, event: PhaseBegan) -> None:
        key = event.phase, event.what
        if key in self._ended and event.phase is Phase.COPYING:
            self._copied.more(event.total_bytes)
        elif key in self._ended and event.phase is Phase.READING_BACK:
            self._read.more(event.total_bytes)
        self._at_work[key] = event.total_bytes
        if event.phase is Phase.FLUSHING:
            self._flush_began_s = self._clock()
        else:
            self.phase, self.file = event.phase, ""

    def _end(self, event: PhaseEnded) -> None:
        key = event.phase, event.what
        size_bytes = self._at_work.pop(key, 0)
        if event.phase is Phase.FLUSHING:
            self._flushed += size_bytes
            self._mark = self._ahead.written() or 0
        else:
            self._ended.add(key)

    # How it stands

    def look(self) -> None:
        """Look at the devices' counters and at the clock: now and then, also when nothing happens."""
        taken = self._ahead.written()
        if taken is None:
            self._copied.reach(self._handed)
        else:
            on_its_way = min(self._handed - self._flushed, taken - self._mark)
            self._copied.reach(self._flushed + max(on_its_way, 0))
        now = self._clock()
        if self._is_at_work(Phase.FLUSHING) and now - self._handed_s >= _QUIET_S:
            self.phase, self.file = Phase.FLUSHING, ""
        if now - self._sampled_s >= _SAMPLE_S:
            took_s, self._sampled_s = now - self._sampled_s, now
            self._copied.sample(took_s, self._is_at_work(Phase.COPYING))
            self._read.sample(took_s, self._is_at_work(Phase.READING_BACK))

    def _is_at_work(self, phase: Phase) -> bool:
        return any(at_work is phase for at_work, _ in self._at_work)

    @property
    def part_done(self) -> float:
        """How much of the whole work is done, from 0 to 1."""
        total = self._copied.total + self._read.total
        return (self._copied.done + self._read.done) / total if total else 1.0

    def told(self) -> str:
        """Say how many bytes of what the phase does are done, and how long the run still takes."""
        if self.phase is Phase.READING_BACK:
            return f"{_of(self._read)} read back, {_left(self._left_s)}"
        if self.phase is Phase.FLUSHING and self._ahead.written() is None:
            waited_s = self._clock() - self._flush_began_s
            return f"{_of(self._copied)} copied, flushing for {_time(waited_s)}"
        return f"{_of(self._copied)} copied, {_left(self._left_s)}"

    @property
    def _left_s(self) -> float:
        return self._copied.left_s + self._read.left_s

    def told_at_the_end(self) -> str:
        """Say what was done in all, and how long it took."""
        copied, read = size_told(self._copied.done), size_told(self._read.done)
        return f"{copied} copied, {read} read back, {_time(self._clock() - self._began_s)}"


def _of(half: _Half) -> str:
    """Return "1.2 of 3.4 GB", or "320.0 MB of 3.4 GB"."""
    done, total = size_told(half.done), size_told(half.total)
    unit = total.rpartition(" ")[2]
    return f"{done.removesuffix(f' {unit}')} of {total}"


def _left(seconds: float) -> str:
    return f"{_time(seconds)} left"


def _time(seconds: float) -> str:
    """Return a time in few characters, as exact as it is of use: "40 s", "12 min", "1 h 20 min"."""
    if seconds < 60:
        return f"{math.ceil(seconds)} s"
    minutes = math.ceil(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours < 100 else f"{hours} h"
