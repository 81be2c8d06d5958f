"""What is taken from one log while it is read, to whom it goes, and the account of what could not be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from manifests.readings.expressions import Expression, TooSlow
from manifests.readings.moments import Moments
from manifests.readings.numbers import number_in

LONGEST_EVENT = 200  # characters of its text that are kept
_LONGEST_SHOWN = 120
# A clock that is set right by a few seconds does not "jump".
_JUMP_US = 60 * 1_000_000


class Sink(Protocol):
    """What takes a log's readings and events as they come; moments are microseconds since 1970, UTC."""

    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        """Take a reading; `quantity` is its place in the description's readings."""

    def event(self, moment_us: int, event: int, text: str, line: int) -> None:
        """Take an event; `event` is its place in the description's events, `line` counts from 1."""


class Unmatched(NamedTuple):
    """A line that gave nothing, and why."""

    line: int
    text: str
    why: str


@dataclass(slots=True)
class LogAccount:
    """What became of one log, counted while it is read.

    `taken` lines (or records) gave a time that could be read, `unmatched` did not fit the description;
    `first_unmatched` is the first of these. `jumps` counts how often the clock went back by more than a
    minute. `problems` are sentences about the whole file.
    """

    lines: int = 0
    taken: int = 0
    readings: int = 0
    events: int = 0
    unmatched: int = 0
    first_unmatched: Unmatched | None = None
    jumps: int = 0
    first_jump_line: int = 0
    problems: list[str] = field(default_factory=list)

    def miss(self, line: int, text: str, why: str) -> None:
        """Count a line that gave nothing."""
        self.unmatched += 1
        if self.first_unmatched is None:
            self.first_unmatched = Unmatched(line, text[:_LONGEST_SHOWN], why)


class Taking:
    """One log being read: times become moments, texts numbers and events, and everything is counted.

    `fixed_us` is the moment of every line where the file's name has the time.
    """

    def __init__(
        self, moments: Moments, events: Sequence[Expression], sink: Sink, fixed_us: int | None = None
    ) -> None:
        self.account = LogAccount()
        self.fixed_us = fixed_us
        self._moments = moments
        self._events = events
        self._sink = sink
        self._before_us: int | None = None

    def moment(self, written: object, line: int) -> int | None:
        """Return the moment that a line says, and count the line where it says one."""
        moment_us = self._moments.of(written) if self.fixed_us is None else self.fixed_us
        if moment_us is None:
            return None
        if self._before_us is not None and moment_us < self._before_us - _JUMP_US:
            self.account.jumps += 1
            self.account.first_jump_line = self.account.first_jump_line or line
        self._before_us = moment_us
        self.account.taken += 1
        return moment_us

    def value(self, moment_us: int, quantity: int, written: object) -> None:
        """Take a reading, where a number is written."""
        value = number_in(written)
        if value is not None:
            self._sink.reading(moment_us, quantity, value)
            self.account.readings += 1

    def events_in(self, moment_us: int, text: str, line: int) -> None:
        """Take every event that is found in a text."""
        for number, expression in enumerate(self._events):
            try:
                found = expression.search(text)
            except TooSlow:
                continue
            if found is not None:
                # A JSON text may hold half a character (\ud800), which no database takes.
                told = text.strip()[:LONGEST_EVENT].encode("utf-8", "replace").decode()
                self._sink.event(moment_us, number, told, line)
                self.account.events += 1
