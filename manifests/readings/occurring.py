"""Whether failures came at values that the nights otherwise seldom had.

Of each night with a failure the first one counts, and no time after it: what follows is no news. How often
chance alone would pick values so seldom had is found by drawing the failures anew (`redrawing.py`).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from manifests.readings.comparing import SURE, Side
from manifests.readings.series import HOUR_US
from manifests.readings.together import go_together
from manifests.readings.watched import Quantity, Watched

# A reading stands for the time until the next one: for half an hour at most, or as long as it lasted.
_LONGEST_US = HOUR_US // 2


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Where failures of a kind came in a quantity: `values` at the first failure of each night.

    `share` is the part of all the time before a failure that was at least as far to `side`, the largest over
    the failures. `span` is the lowest and the highest value of all that time. `chance` is that of either side
    for this quantity alone, `chance_corrected` that of any that was tried; `at_floor` says that no draw came
    as far, so that the chances are the smallest that drawing can find. `follows` names a quantity that is
    surely rare as well, and goes together with this one through the nights.
    """

    event: str
    quantity: str
    unit: str
    side: Side
    values: tuple[float, ...]
    share: float
    span: tuple[float, float]
    chance: float
    chance_corrected: float
    at_floor: bool = False
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


def occurrences(nights: Sequence[Watched]) -> tuple[Occurrence, ...]:
    """Return where each kind of failure came in each quantity, the rarest first."""
    kinds = dict.fromkeys(each.first.event for each in nights if each.first is not None)
    found: list[Occurrence] = []
    for event in kinds:
        of_kind = sorted(_of_kind(event, nights, len(kinds)), key=_rarity)
        found += _with_followers(of_kind, nights)
    return tuple(sorted(found, key=_rarity))


def _rarity(one: Occurrence) -> tuple[float, float]:
    return one.chance, one.share


def _with_followers(found: Sequence[Occurrence], nights: Sequence[Watched]) -> Iterator[Occurrence]:
    """Say of each surely rare quantity which one before it goes together with it."""
    leaders: list[Occurrence] = []
    for one in found:
        leader = next((each for each in leaders if one.sure and _together(each, one, nights)), None)
        if one.sure and leader is None:
            leaders.append(one)
        yield one if leader is None else replace(one, follows=leader.quantity)


def _together(one: Occurrence, other: Occurrence, nights: Sequence[Watched]) -> bool:
    names = (one.quantity, one.unit), (other.quantity, other.unit)
    return go_together((each.series.get(names[0]), each.series.get(names[1])) for each in nights)


def _of_kind(event: str, nights: Sequence[Watched], kinds: int) -> Iterator[Occurrence]:
    # Loads numpy, which few commands need.
    from manifests.readings.redrawing import Cells, chances_among, distance, distances, drawn, smallest_chance

    cells = Cells(nights, event)
    draws = drawn(cells.could_fail, cells.happened)
    quantities = dict.fromkeys(quantity for each in nights for quantity in each.series)
    tried = [one for one in quantities if any(map(math.isfinite, cells.at_failure(one)))]
    far, by_chance = [], []
    for quantity in tried:
        grid = cells.grid(quantity)
        far.append(distance(grid, cells.happened, cells.at_failure(quantity), cells.ended(quantity)))
        by_chance.append(distances(grid, draws))
    chances = chances_among(far, by_chance) if tried else []
    for quantity, (chance, of_any) in zip(tried, chances, strict=True):
        values = tuple(value for value in cells.at_failure(quantity).tolist() if math.isfinite(value))
        occurred = _occurrence(event, quantity, nights, values, chance, min(1.0, kinds * of_any))
        if len(values) == 1:
            occurred = _of_one_failure(occurred, kinds * len(tried))
        yield replace(occurred, at_floor=occurred.chance <= smallest_chance())


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
    spent = sorted(pair for each in nights for pair in _time_at_values(each, quantity))
    ordered = [value for value, _ in spent]
    reached = [0]
    for _, length_us in spent:
        reached.append(reached[-1] + length_us)
    total = reached[-1] or 1
    below = [reached[bisect_right(ordered, value)] / total for value in values]
    above = [1 - reached[bisect_left(ordered, value)] / total for value in values]
    side = Side.BELOW if sum(below) <= sum(above) else Side.ABOVE
    every = [*ordered, *values]
    return Occurrence(
        event=event,
        quantity=quantity[0],
        unit=quantity[1],
        side=side,
        values=values,
        share=max(below if side is Side.BELOW else above),
        span=(min(every), max(every)),
        chance=chance,
        chance_corrected=max(chance, corrected),
    )


def _time_at_values(night: Watched, quantity: Quantity) -> Iterator[tuple[float, int]]:
    """Return each reading up to the failure with how long it stands, in microseconds."""
    if quantity not in night.series:
        return
    records = night.series[quantity].within(night.up.from_us, night.until_us).records
    following = [one.moment_us for one in records[1:]]
    if records:
        # The last one stands as long as the one before it did.
        step = records[-1].moment_us - records[-2].moment_us if len(records) > 1 else _LONGEST_US
        following.append(records[-1].moment_us + step)
    for one, after in zip(records, following, strict=True):
        yield one.first, min(after - one.moment_us, max(_LONGEST_US, one.lasted_us))
