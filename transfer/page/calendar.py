"""The nights of each year, a row a month: how long was exposed, the verdict, and how much moon there was."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime

from manifests.index.nights import NightRow

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
BAR_HEIGHT = 26.0
_FULL_HOURS = 10.0
# Steps of moonlight that can be told apart behind a bar.
_MOON_STEPS = 4


@dataclass(frozen=True, slots=True)
class Day:
    """One date: its night, or None where the archive has nothing of it; `moon` from 0 (new) to 4 (full)."""

    date: date
    night: NightRow | None
    moon: int

    @property
    def bar(self) -> float:
        """How high the night's bar is."""
        if self.night is None:
            return 0.0
        return max(round(min(self.night.hours / _FULL_HOURS, 1.0) * BAR_HEIGHT, 1), 2.0)


@dataclass(frozen=True, slots=True)
class Month:
    """One month of a year, all its days."""

    name: str
    days: tuple[Day, ...]


@dataclass(frozen=True, slots=True)
class Year:
    """One year from its first month with a night to its last."""

    number: int
    nights: int
    hours: float
    months: tuple[Month, ...]


def years(nights: Iterable[NightRow]) -> tuple[Year, ...]:
    """Return the years that have nights, the newest first."""
    by_year: dict[int, dict[date, NightRow]] = {}
    for row in nights:
        by_year.setdefault(row.night.year, {})[row.night] = row
    return tuple(_year(number, by_year[number]) for number in sorted(by_year, reverse=True))


def _year(number: int, nights: dict[date, NightRow]) -> Year:
    moons = iter(_moons([day for month in range(1, 13) for day in _days(number, month)]))
    months = [
        Month(
            MONTHS[month - 1], tuple(Day(day, nights.get(day), next(moons)) for day in _days(number, month))
        )
        for month in range(1, 13)
    ]
    with_nights = [at for at, month in enumerate(months) if any(day.night for day in month.days)]
    return Year(
        number,
        len(nights),
        sum(row.hours for row in nights.values()),
        tuple(months[with_nights[0] : with_nights[-1] + 1]),
    )


def _days(year: int, month: int) -> list[date]:
    return [date(year, month, day) for day in range(1, monthrange(year, month)[1] + 1)]


def _moons(days: list[date]) -> list[int]:
    """Return how much of the moon is lit at midnight (UTC) of each night, in steps."""
    from manifests.frames.sky import sky_of

    midnights = [datetime(day.year, day.month, day.day, 23, 59, tzinfo=UTC) for day in days]
    return [
        round(float(lit) * _MOON_STEPS) for lit in sky_of(midnights, None, None, None, None).moon_illumination
    ]
