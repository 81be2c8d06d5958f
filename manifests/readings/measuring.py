"""What is compared of a quantity in each night, and what the number of its readings alone would say.

Where a night fails, frames end and often logs too. Fewer readings have narrower extremes: the lowest of few
is higher, and the highest lower, whatever is measured. So where the poor nights have fewer readings than the
good ones, or more, an extreme counts only on the side that the number of readings works against, and
extremes, last value and fall are also taken over the hours after sunset in which every night has readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from manifests.readings.comparing import Measure, Side, Statistic
from manifests.readings.series import HOUR_US, Series, Summary
from manifests.readings.units import per_hour

# Numbers of readings that differ by less are the same: logs begin and end a few minutes apart.
_EVEN = 0.1
_LEAST_IN_COMMON_US = HOUR_US


@dataclass(frozen=True, slots=True)
class Observed:
    """A quantity in one night: its readings (None where it has none), and the moment of sunset."""

    series: Series | None
    sunset_us: int
    poor: bool


@dataclass(frozen=True, slots=True)
class Uneven:
    """A quantity of which the poor nights have fewer readings than the good ones, or more.

    `hours` are those after sunset in which every night has readings, None where there are none.
    """

    quantity: str
    poor_have_fewer: bool
    hours: tuple[float, float] | None


def measured(
    quantity: str, unit: str, nights: Sequence[Observed], derived: bool = False
) -> tuple[list[Measure], Uneven | None]:
    """Return what is compared of a quantity, and whether the numbers of its readings go with the verdicts.

    `unit` is astropy's name.
    """
    fewer = _poor_have_fewer(nights)
    whole = [_summary(each.series) for each in nights]
    if fewer is None:
        return [_measure(quantity, unit, one, whole, derived) for one in Statistic], None
    extremes = [
        _measure(quantity, unit, one, whole, derived, not_on=_side_of_number(one, fewer))
        for one in (Statistic.LOWEST, Statistic.HIGHEST)
    ]
    first = _measure(quantity, unit, Statistic.FIRST, whole, derived)
    hours = _hours_in_common(nights)
    if hours is None:
        return [*extremes, first], Uneven(quantity, fewer, None)
    shown = (hours[0] / HOUR_US, hours[1] / HOUR_US)
    cut = [_within(each, hours) for each in nights]
    parts = [_summary(each.series) for each in cut]
    statistics = [Statistic.LAST, Statistic.FALL]
    if _poor_have_fewer(cut) is None:
        statistics = [Statistic.LOWEST, Statistic.HIGHEST, *statistics]
    in_common = [_measure(quantity, unit, one, parts, derived, hours=shown) for one in statistics]
    return [*extremes, first, *in_common], Uneven(quantity, fewer, shown)


def _measure(
    quantity: str,
    unit: str,
    statistic: Statistic,
    nights: Sequence[Summary | None],
    derived: bool,
    *,
    not_on: Side | None = None,
    hours: tuple[float, float] | None = None,
) -> Measure:
    values = tuple(None if each is None else value_of(each, statistic) for each in nights)
    its_unit = per_hour(unit) if statistic is Statistic.FALL else unit
    return Measure(quantity, its_unit, statistic, values, derived, not_on, hours)


def value_of(summary: Summary, statistic: Statistic) -> float | None:
    """Return a statistic of a night's readings; None for a fall over less than half an hour."""
    match statistic:
        case Statistic.LOWEST:
            return summary.lowest
        case Statistic.HIGHEST:
            return summary.highest
        case Statistic.FIRST:
            return summary.first
        case Statistic.LAST:
            return summary.last
        case Statistic.FALL:
            return summary.fall_per_hour


def _summary(series: Series | None) -> Summary | None:
    return None if series is None else series.summary()


def _poor_have_fewer(nights: Sequence[Observed]) -> bool | None:
    """Return whether poor nights have fewer readings on average; None where the numbers are about even."""
    counts: dict[bool, list[int]] = {True: [], False: []}
    for each in nights:
        summary = _summary(each.series)
        if summary is not None:
            counts[each.poor].append(summary.count)
    if not all(counts.values()):
        return None
    poor, good = (sum(counts[kind]) / len(counts[kind]) for kind in (True, False))
    return poor < good if abs(poor - good) > _EVEN * max(poor, good) else None


def _side_of_number(statistic: Statistic, poor_have_fewer: bool) -> Side:
    """Return the side on which the number of readings alone puts the poor nights' extreme."""
    return Side.ABOVE if (statistic is Statistic.LOWEST) is poor_have_fewer else Side.BELOW


def _hours_in_common(nights: Sequence[Observed]) -> tuple[int, int] | None:
    """Return from when to when after sunset, in microseconds, every night with readings has them."""
    there = [(each.series.records, each.sunset_us) for each in nights if each.series and each.series.records]
    begun = max(records[0].moment_us - sunset_us for records, sunset_us in there)
    ended = min(records[-1].moment_us - sunset_us for records, sunset_us in there)
    return (begun, ended) if ended - begun >= _LEAST_IN_COMMON_US else None


def _within(observed: Observed, hours: tuple[int, int]) -> Observed:
    if observed.series is None:
        return observed
    begun, ended = (observed.sunset_us + each for each in hours)
    return Observed(observed.series.within(begun, ended), observed.sunset_us, observed.poor)
