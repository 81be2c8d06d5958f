"""A quantity's readings over a night: what they come to, what they were at a moment, what follows.

Moments are microseconds since 1970, UTC.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from manifests.readings.dew import dew_point_deg_c
from manifests.readings.thinning import ReadingRecord
from manifests.readings.units import DEG_C, PERCENT, conversion, is_temperature

HOUR_US = 3600 * 1_000_000
# A reading that ended longer ago than this says nothing about a moment.
_STALE_US = HOUR_US // 2
# Common practice: logs are written every few minutes. A reading older than that is told with its age.
FRESH_S = 600
# Two readings that belong together, such as temperature and humidity of one mast.
_TOGETHER_US = HOUR_US // 6
# A fall over less than this is none per hour.
_LEAST_FALL_US = HOUR_US // 2
DEW_POINT, DEW_MARGIN = "dew point", "margin to the dew point"
DERIVED = (DEW_POINT, DEW_MARGIN)


@dataclass(frozen=True, slots=True)
class Summary:
    """A quantity's first, last, lowest and highest reading, how many there were, and its fall per hour.

    `fall_per_hour` is what is lost from the first to the last reading by the time between them (positive
    where the quantity falls); None where that is under half an hour.
    """

    first: float
    last: float
    lowest: float
    highest: float
    count: int
    fall_per_hour: float | None


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity of one source, its records in the order of time; `unit` is astropy's name."""

    source: str
    quantity: str
    unit: str
    records: tuple[ReadingRecord, ...]

    def within(self, from_us: int, to_us: int) -> Series:
        """Return the part of it from one moment to another."""
        kept = tuple(one for one in self.records if from_us <= one.moment_us <= to_us)
        return Series(self.source, self.quantity, self.unit, kept)

    def summary(self) -> Summary | None:
        """Return what its readings come to; None where there is none."""
        if not self.records:
            return None
        first, last = self.records[0], self.records[-1]
        span_us = last.moment_us - first.moment_us
        fall = (first.first - last.last) / (span_us / HOUR_US) if span_us >= _LEAST_FALL_US else None
        return Summary(
            first=first.first,
            last=last.last,
            lowest=min(one.lowest for one in self.records),
            highest=max(one.highest for one in self.records),
            count=sum(one.count for one in self.records),
            fall_per_hour=fall,
        )

    def at(self, moment_us: int) -> float | None:
        """Return the last reading begun up to a moment; None where it ended over half an hour before."""
        last = self.record_at(moment_us)
        return None if last is None else last.first

    def record_at(self, moment_us: int) -> ReadingRecord | None:
        """Return the record that `at` takes a moment's value from."""
        number = bisect_right(self.records, moment_us, key=lambda one: one.moment_us)
        if not number:
            return None
        last = self.records[number - 1]
        return last if moment_us - last.moment_us - last.lasted_us <= _STALE_US else None

    def middle(self) -> float | None:
        """Return the median of its records; None where there is none."""
        return median(one.first for one in self.records) if self.records else None


def series_of(source: str, quantity: str, unit: str, points: Iterable[tuple[int, float]]) -> Series:
    """Return a series of single readings (moment in microseconds, value), sorted by time."""
    records = (ReadingRecord(moment_us, value, value, value, value, 1) for moment_us, value in sorted(points))
    return Series(source, quantity, unit, tuple(records))


def with_dew(found: Sequence[Series]) -> tuple[Series, ...]:
    """Return the series with dew point and margin to it beside each humidity that has its temperature.

    A humidity is what has "humid" in its name and is measured in %; its temperature is that of the same
    source, with "air", "ambient" or "outside" in its name, or the only one. A source that has a dew point
    keeps its own, and gets the margin.
    """
    derived: list[Series] = []
    for humidity in found:
        if humidity.unit == PERCENT and "humid" in humidity.quantity.casefold():
            beside = [one for one in found if one.source == humidity.source]
            air = _air_temperature(beside)
            if air is not None:
                derived += _dew(humidity, air, beside)
    return (*found, *derived)


def _air_temperature(beside: Sequence[Series]) -> Series | None:
    temperatures = [
        one for one in beside if is_temperature(one.unit) and "dew" not in one.quantity.casefold()
    ]
    of_air = [one for one in temperatures if _is_of_air(one.quantity.casefold())]
    if of_air:
        return of_air[0]
    return temperatures[0] if len(temperatures) == 1 else None


def _is_of_air(name: str) -> bool:
    return any(word in name for word in ("air", "ambient", "outside")) and "minus" not in name


def _dew(humidity: Series, air: Series, beside: Sequence[Series]) -> list[Series]:
    to_deg_c = conversion(air.unit, DEG_C)
    dew_points: list[tuple[int, float]] = []
    margins: list[tuple[int, float]] = []
    for one in humidity.records:
        number = bisect_right(air.records, one.moment_us, key=lambda record: record.moment_us)
        near = air.records[number - 1] if number else None
        if near is None or one.moment_us - near.moment_us > _TOGETHER_US:
            continue
        air_deg_c = to_deg_c.of(near.first)
        dew_point = dew_point_deg_c(air_deg_c, one.first)
        if dew_point is not None:
            dew_points.append((one.moment_us, dew_point))
            margins.append((one.moment_us, air_deg_c - dew_point))
    has_its_own = any("dew" in each.quantity.casefold() for each in beside)
    made = [] if has_its_own else [series_of(humidity.source, DEW_POINT, DEG_C, dew_points)]
    made.append(series_of(humidity.source, DEW_MARGIN, "K", margins))
    return [each for each in made if each.records]
