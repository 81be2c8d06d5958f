"""What a night's page says: its timeline, its frames, what was read and what happened, findings, logs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from manifests.index.nights import LogFile, NightRow
from manifests.readings.happenings import bursts
from manifests.readings.series import Series
from manifests.readings.units import decimals_among, number_shown, unit_shown
from transfer.archive.nights_told import NightTold
from transfer.page.drawing import Drawing
from transfer.page.frames_shown import Group

_EVENTS_AT_MOST = 300


class ReadingRow(NamedTuple):
    """A quantity's night in one line of a table."""

    quantity: str
    unit: str
    source: str
    first: str
    last: str
    lowest: str
    highest: str


class EventRow(NamedTuple):
    """An event of a log, with how often it came again within half an hour of the time before."""

    at_us: int
    event: str
    source: str
    times: int
    is_failure: bool


@dataclass(frozen=True, slots=True)
class NightPage:
    """One page of a night: the frames of one part, and with the first part what holds for all.

    `before` and `after` are the nights next to it in the archive.
    """

    row: NightRow
    part: int
    parts: int
    groups: tuple[Group, ...]
    before: date | None
    after: date | None
    told: NightTold | None = None
    timeline: Drawing | None = None
    readings: tuple[ReadingRow, ...] = ()
    events: tuple[EventRow, ...] = ()
    more_events: int = 0
    logs: tuple[LogFile, ...] = ()


def reading_rows(series: Iterable[Series]) -> Iterator[ReadingRow]:
    """Return a row for each quantity."""
    for one in series:
        summary = one.summary()
        if summary is not None:
            numbers = (summary.first, summary.last, summary.lowest, summary.highest)
            decimals = decimals_among(numbers)
            told = (number_shown(each, decimals) for each in numbers)
            yield ReadingRow(one.quantity, unit_shown(one.unit), one.source, *told)


def event_rows(told: NightTold) -> tuple[tuple[EventRow, ...], int]:
    """Return the events in the order of time, bursts as one; and how many more there are than are shown."""
    failed = {one.event for one in told.failures}
    rows = [
        EventRow(first.at_us, first.event, first.source, count, first.event in failed)
        for first, count in bursts(told.happenings)
    ]
    return tuple(rows[:_EVENTS_AT_MOST]), max(len(rows) - _EVENTS_AT_MOST, 0)
