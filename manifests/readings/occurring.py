"""Whether failures came at values that the nights otherwise seldom had.

Of each night with a failure the first one counts, and no time after it: what follows is no news. How often
chance alone would pick values so seldom had is found by drawing the failures anew (`redrawing.py`).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import NamedTuple

from manifests.readings.comparing import NEARLY, SURE, Side
from manifests.readings.series import DERIVED, HOUR_US
from manifests.readings.together import go_together, measured_first
from manifests.readings.watched import Quantity, Watched

# A reading stands for the time until the next one: for half an hour at most, or as long as it lasted.
_LONGEST_US = HOUR_US // 2


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Where failures of a kind came in a quantity: `values` at the first failure of each night.

    `share` is the part of all the time before a failure that was at least as far to `side`, the largest over
    the failures; `share_otherwise` leaves the failures' own readings out. `next_value` is the one of those
    others that came nearest to the failures' (None where some came as far, or there is none). `span` is the
    lowest and the highest value of all that time. `oldest_s` is how long before its failure the oldest of
    `values` was read. `chance` is that of either side for this quantity alone, `chance_corrected` that of any
    that was tried; `at_floor` says that no draw came as far, so that the chances are the smallest that
    drawing can find. `derived` says that it follows from other quantities. `follows` names a quantity that is
    rare as well, and goes together with this one through the nights.
    """

    event: str
    quantity: str
    unit: str
    side: Side
    values: tuple[float, ...]
    share: float
    share_otherwise: float
    next_value: float | None
    span: tuple[float, float]
    oldest_s: float
    chance: float
    chance_corrected: float
    at_floor: bool = False
    derived: bool = False
    follows: str = ""

    @property
    def farthest_back(self) -> float:
        """Return the value of the failure that came least far to `side`."""
        return max(self.values) if self.side is Side.BELOW else min(self.values)

    @property
    def sure(self) -> bool:
        """Return whether chance alone does it at most once in 20, all that was tried counted.

        A single failure has to come at some value, in a night that cools at the lowest so far.
        """
        return len(self.values) > 1 and self.chance_corrected <= SURE

    @property
    def nearly_sure(self) -> bool:
        """Return whether chance does it at most once in 10: nothing is named as sure without these."""
        return len(self.values) > 1 and self.chance_corrected <= NEARLY


def occurrences(nights: Sequence[Watched]) -> tuple[Occurrence, ...]:
    """Return where each kind of failure came in each quantity, the rarest first."""
    kinds = dict.fromkeys(each.first.event for each in nights if each.first is not None)
    found: list[Occurrence] = []
    for event in kinds:
        of_kind = sorted(_of_kind(event, nights, len(kinds)), key=_rarity)
        ordered = measured_first(
            of_kind, lambda one: one.derived, lambda one, other: _as_rare(one, other, nights)
        )
        found += _with_followers(ordered, nights)
    # What is nearly sure stays in its order: what is derived comes after what it follows from.
    return tuple(
        sorted(found, key=lambda one: (not one.nearly_sure, *(() if one.nearly_sure else _rarity(one))))
    )


def _rarity(one: Occurrence) -> tuple[float, float]:
    return one.chance, one.share


def _as_rare(measured: Occurrence, derived: Occurrence, nights: Sequence[Watched]) -> bool:
    near = derived.nearly_sure and measured.chance_corrected <= max(NEARLY, derived.chance_corrected)
    return near and _together(measured, derived, nights)


def _with_followers(found: Iterable[Occurrence], nights: Sequence[Watched]) -> Iterator[Occurrence]:
    """Say of each quantity that is surely or nearly surely rare which one before it goes together with it."""
    leaders: list[Occurrence] = []
    for one in found:
        leader = next((each for each in leaders if one.nearly_sure and _together(each, one, nights)), None)
        if one.nearly_sure and leader is None:
            leaders.append(one)
        yield one if leader is None else replace(one, follows=leader.quantity)


def _together(one: Occurrence, other: Occurrence, nights: Sequence[Watched]) -> bool:
    names = (one.quantity, one.unit), (other.quantity, other.unit)
    return go_together((each.series.get(names[0]), each.series.get(names[1])) for each in nights)


def _of_kind(event: str, nights: Sequence[Watched], kinds: int) -> Iterator[Occurrence]:
    # Loads numpy, which few commands need.
    from manifests.readings.redrawing import (
        TIMES_MORE,
        Cells,
        chances_among,
        distance,
        distances,
        drawn,
        smallest_chance,
    )

    cells = Cells(nights, event)
    quantities = dict.fromkeys(quantity for each in nights for quantity in each.series)
    tried = [one for one in quantities if any(map(math.isfinite, cells.at_failure(one)))]
    if not tried:
        return
    grids = [cells.grid(quantity) for quantity in tried]
    far = [
        distance(grid, cells.happened, cells.at_failure(quantity), cells.ended(quantity))
        for quantity, grid in zip(tried, grids, strict=True)
    ]
    for times in (1, TIMES_MORE):
        draws = drawn(cells.could_fail, cells.happened, times)
        chances = chances_among(far, [distances(grid, draws) for grid in grids])
        if min(chance for chance, _ in chances) > smallest_chance(draws):
            break
    for quantity, (chance, of_any) in zip(tried, chances, strict=True):
        values = tuple(value for value in cells.at_failure(quantity).tolist() if math.isfinite(value))
        occurred = _occurrence(event, quantity, nights, values, chance, min(1.0, kinds * of_any))
        if len(values) == 1:
            occurred = _of_one_failure(occurred, kinds * len(tried))
        yield replace(occurred, at_floor=occurred.chance <= smallest_chance(draws))


def _of_one_failure(one: Occurrence, tried: int) -> Occurrence:
    """Return what came once with chances no smaller than those of one moment drawn from all of the time.

    Drawn anew within one night, a failure is always about where it was.
    """
    chance = max(one.chance, min(1.0, 2 * one.share))
    return replace(one, chance=chance, chance_corrected=max(one.chance_corrected, 1 - (1 - chance) ** tried))


def _occurrence(
    event: str,
    quantity: Quantity,
    nights: Sequence[Watched],
    values: tuple[float, ...],
    chance: float,
    corrected: float,
) -> Occurrence:
    records = [one for each in nights for one in _time_at_values(each, quantity, event)]
    every, otherwise = _Spent(records), _Spent([one for one in records if not one.of_failure])
    shares = {side: [every.share(value, side) for value in values] for side in Side}
    side = Side.BELOW if sum(shares[Side.BELOW]) <= sum(shares[Side.ABOVE]) else Side.ABOVE
    least = max(values) if side is Side.BELOW else min(values)
    known = [*every.values, *values]
    return Occurrence(
        event=event,
        quantity=quantity[0],
        unit=quantity[1],
        side=side,
        values=values,
        share=max(shares[side]),
        share_otherwise=otherwise.share(least, side),
        next_value=otherwise.next_to(least, side),
        span=(min(known), max(known)),
        oldest_s=max((one.age_us for one in records if one.of_failure), default=0) / 1e6,
        chance=chance,
        chance_corrected=max(chance, corrected),
        derived=any(each.series[quantity].quantity in DERIVED for each in nights if quantity in each.series),
    )


class _Reading(NamedTuple):
    """A value, how long it stands, and whether it is the one at a failure, and how old it is then."""

    value: float
    stands_us: int
    of_failure: bool
    age_us: int


class _Spent:
    """Time spent at values."""

    def __init__(self, readings: Iterable[_Reading]) -> None:
        ordered = sorted((one.value, one.stands_us) for one in readings)
        self.values = [value for value, _ in ordered]
        self._reached = [0, *accumulate(stands_us for _, stands_us in ordered)]

    def share(self, value: float, side: Side) -> float:
        """Return the part of the time that was at a value, or farther to a side."""
        total = self._reached[-1] or 1
        if side is Side.BELOW:
            return self._reached[bisect_right(self.values, value)] / total
        return 1 - self._reached[bisect_left(self.values, value)] / total if self.values else 0.0

    def next_to(self, value: float, side: Side) -> float | None:
        """Return the value next to one, where no time was spent there or farther to a side."""
        if not self.values or self.share(value, side) > 0:
            return None
        return self.values[0] if side is Side.BELOW else self.values[-1]


def _time_at_values(night: Watched, quantity: Quantity, event: str) -> Iterator[_Reading]:
    """Return each reading up to the failure, with how long it stands."""
    if quantity not in night.series:
        return
    series = night.series[quantity]
    records = series.within(night.up.from_us, night.until_us).records
    following = [one.moment_us for one in records[1:]]
    if records:
        # The last one stands as long as the one before it did.
        step = records[-1].moment_us - records[-2].moment_us if len(records) > 1 else _LONGEST_US
        following.append(records[-1].moment_us + step)
    failed = night.first is not None and night.first.event == event
    of_failure = series.record_at(night.until_us) if failed else None
    for one, after in zip(records, following, strict=True):
        stands_us = min(after - one.moment_us, max(_LONGEST_US, one.lasted_us))
        yield _Reading(one.first, stands_us, one is of_failure, night.until_us - one.moment_us)
