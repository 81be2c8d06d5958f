"""What is compared of a quantity in each night, and what the number of its readings alone would say.

Each measure also has what it is without the hours after each night's first failure (see `comparing.py`): of
extremes the poor nights until their failure beside the good ones whole, on the side that the shorter time
works against; of everything else the same hours after sunset in all nights, up to the earliest failure.
Nights that failed too early to have an hour of these are left out of them.

Where a night fails, frames end and often logs too. Fewer readings have narrower extremes: the lowest of few
is higher, and the highest lower, whatever is measured. So where the poor nights have fewer readings than the
good ones, or more, an extreme counts only on the side that the number of readings works against, and
extremes, last value and fall are also taken over the hours after sunset in which every night has readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from manifests.readings.comparing import Before, Measure, Side, Statistic, Values
from manifests.readings.series import HOUR_US, Series, Summary
from manifests.readings.units import per_hour

# Numbers of readings that differ by less are the same: logs begin and end a few minutes apart.
_EVEN = 0.1
_LEAST_IN_COMMON_US = HOUR_US


@dataclass(frozen=True, slots=True)
class Observed:
    """A quantity in one night: its readings (None where it has none), the moment of sunset, of a failure."""

    series: Series | None
    sunset_us: int
    poor: bool
    failed_us: int | None = None

    @property
    def goes_on(self) -> bool:
        """Whether there are readings after the failure."""
        if self.series is None or not self.series.records or self.failed_us is None:
            return False
        return self.series.records[-1].moment_us > self.failed_us

    @property
    def ends_us(self) -> int:
        """Return the moment of the last reading, or of the failure where that is earlier; needs readings."""
        assert self.series is not None
        last_us = self.series.records[-1].moment_us
        return last_us if self.failed_us is None else min(last_us, self.failed_us)


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
    whole = _Taken(quantity, unit, nights, derived)
    if fewer is None:
        return [whole.measure(one) for one in Statistic], None
    extremes = [
        whole.measure(one, not_on=_side_of_number(one, fewer))
        for one in (Statistic.LOWEST, Statistic.HIGHEST)
    ]
    first = whole.measure(Statistic.FIRST)
    hours = _hours_in_common(nights)
    if hours is None:
        return [*extremes, first], Uneven(quantity, fewer, None)
    shown = (hours[0] / HOUR_US, hours[1] / HOUR_US)
    cut = [_within(each, hours) for each in nights]
    statistics = [Statistic.LAST, Statistic.FALL]
    if _poor_have_fewer(cut) is None:
        statistics = [Statistic.LOWEST, Statistic.HIGHEST, *statistics]
    common = _Taken(quantity, unit, cut, derived, shown)
    return [*extremes, first, *(common.measure(one) for one in statistics)], Uneven(quantity, fewer, shown)


class _Taken:
    """A quantity's statistics over nights, with and without the hours after failures."""

    def __init__(
        self,
        quantity: str,
        unit: str,
        nights: Sequence[Observed],
        derived: bool,
        hours: tuple[float, float] | None = None,
    ) -> None:
        self._quantity, self._unit, self._derived, self._hours = quantity, unit, derived, hours
        self._whole = [_summary(each.series) for each in nights]
        self._until: list[Summary | None] | None = None
        if any(each.goes_on for each in nights):
            self._poor = [each.poor for each in nights]
            self._until = [_summary(_until_failure(each)) for each in nights]
            early = _hours_before_any_failure(nights)
            self._early_hours = (early[0] / HOUR_US, early[1] / HOUR_US)
            self._early = [_summary(_within_all_of(each, early)) for each in nights]

    def measure(self, statistic: Statistic, not_on: Side | None = None) -> Measure:
        """Return a statistic of each night as it is compared."""
        unit = per_hour(self._unit) if statistic is Statistic.FALL else self._unit
        values, before = _values(self._whole, statistic), self._before(statistic)
        return Measure(self._quantity, unit, statistic, values, self._derived, not_on, self._hours, before)

    def _before(self, statistic: Statistic) -> Before | None:
        if self._until is None:
            return None
        until = _values(self._until, statistic)
        if statistic is Statistic.FIRST:
            return Before(until, until, frozenset(Side), None)
        early = _values(self._early, statistic)
        # The good nights stay whole: beside them a failed night's shorter time works against the finding.
        whole = _values(self._whole, statistic)
        beside = tuple(
            cut if poor else full for cut, full, poor in zip(until, whole, self._poor, strict=True)
        )
        match statistic:
            case Statistic.LOWEST:
                return Before(beside, early, frozenset({Side.BELOW}), self._early_hours)
            case Statistic.HIGHEST:
                return Before(early, beside, frozenset({Side.ABOVE}), self._early_hours)
            case _:
                return Before(early, early, frozenset(), self._early_hours)


def _values(nights: Sequence[Summary | None], statistic: Statistic) -> Values:
    return tuple(None if each is None else value_of(each, statistic) for each in nights)


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
    return replace(observed, series=observed.series.within(begun, ended))


def _until_failure(observed: Observed) -> Series | None:
    if observed.series is None or observed.failed_us is None:
        return observed.series
    return observed.series.within(observed.sunset_us, observed.failed_us)


def _hours_before_any_failure(nights: Sequence[Observed]) -> tuple[int, int]:
    """Return from when to when after sunset, in microseconds, no night had failed or ended yet.

    Nights that have less than an hour of readings from there on are passed over: one of them would cut all
    the others as short. At least one night has readings.
    """
    there = [each for each in nights if each.series is not None and each.series.records]
    begun = max(each.series.records[0].moment_us - each.sunset_us for each in there if each.series)
    least = begun + _LEAST_IN_COMMON_US
    ended = (each.ends_us - each.sunset_us for each in there)
    return begun, min((each for each in ended if each >= least), default=least)


def _within_all_of(observed: Observed, hours: tuple[int, int]) -> Series | None:
    """Return a night's readings of those hours; None where it had failed or ended before their end."""
    there = observed.series is not None and observed.series.records
    if not there or observed.ends_us - observed.sunset_us < hours[1]:
        return None
    return _within(observed, hours).series
