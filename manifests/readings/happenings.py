"""What happened in a night: gaps in which no frame came although it was dark, and failures in bursts.

Moments are microseconds since 1970, UTC.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

MINUTE_US = 60 * 1_000_000
GAP = "gap"
"""What a gap is called among the events that count as failures."""

# Common practice, no standard: focusing, a meridian flip and a new target take less.
LEAST_GAP_US = 15 * MINUTE_US
# An event that comes again within this time is the same failure going on.
BURST_US = 30 * MINUTE_US


class Span(NamedTuple):
    """From one moment to another."""

    from_us: int
    to_us: int

    @property
    def lasted_us(self) -> int:
        """Return its length in microseconds."""
        return self.to_us - self.from_us

    @property
    def minutes(self) -> float:
        """Return its length in minutes."""
        return self.lasted_us / MINUTE_US


class Happening(NamedTuple):
    """One event: when, what it is called, where it was read, and what stood there."""

    at_us: int
    event: str
    source: str
    path: str
    text: str


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure: when it began, what it is called, and how often it came in a burst."""

    at_us: int
    event: str
    count: int


def bursts(happenings: Iterable[Happening]) -> tuple[tuple[Happening, int], ...]:
    """Return each event, in order, with how many times it came in its burst.

    A burst is the same event of the same source again and again, never more than BURST_US apart.
    """
    found: list[list[Happening]] = []
    last: dict[tuple[str, str], list[Happening]] = {}
    for one in happenings:
        burst = last.get((one.source, one.event))
        if burst is not None and one.at_us - burst[-1].at_us <= BURST_US:
            burst.append(one)
        else:
            last[one.source, one.event] = [one]
            found.append(last[one.source, one.event])
    return tuple((burst[0], len(burst)) for burst in found)


def gaps(exposures: Iterable[Span], dark: Span | None) -> tuple[Span, ...]:
    """Return the spans of LEAST_GAP_US or more in which no exposure was under way.

    Where it is known from when to when it was dark, only in that, from its beginning to its end; else between
    the first exposure and the last.
    """
    busy = sorted(exposures)
    if dark is None and not busy:
        return ()
    reached = dark.from_us if dark is not None else busy[0].from_us
    end = dark.to_us if dark is not None else max(one.to_us for one in busy)
    found: list[Span] = []
    for one in (*busy, Span(end, end)):
        begun = min(one.from_us, end)
        if begun - reached >= LEAST_GAP_US:
            found.append(Span(reached, begun))
        reached = max(reached, one.to_us)
    return tuple(found)


def failures(
    happenings: Iterable[Happening], without_a_frame: Iterable[Span], counted: Iterable[str]
) -> tuple[Failure, ...]:
    """Return the failures in the order of time: events that count, and gaps where they count.

    An event that comes again within half an hour goes on with the failure that it was.
    """
    names = set(counted)
    moments = [(one.at_us, one.event) for one in happenings if one.event in names]
    if GAP in names:
        moments += [(gap.from_us, GAP) for gap in without_a_frame]
    found: list[Failure] = []
    last: dict[str, tuple[int, int]] = {}
    for at_us, event in sorted(moments):
        before_us, place = last.get(event, (0, -1))
        if place >= 0 and at_us - before_us <= BURST_US:
            found[place] = replace(found[place], count=found[place].count + 1)
        else:
            place = len(found)
            found.append(Failure(at_us, event, 1))
        last[event] = (at_us, place)
    return tuple(found)
