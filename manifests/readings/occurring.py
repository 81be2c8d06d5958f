"""Whether failures came at values that the nights otherwise seldom had.

Of each night with a failure the first one counts, and no time after it: what follows is no news. If failures
came whatever a quantity was, each would come at a moment drawn evenly from all the time of all the nights,
and the share of that time with a lower value would be even from 0 to 1. The sum of these shares is compared
with that of so many even numbers (Irwin–Hall), to both sides, and the chance multiplied by the number of
quantities and kinds of failures tried.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from manifests.readings.comparing import SURE, Side
from manifests.readings.permutations import sum_of_uniforms_chance
from manifests.readings.series import HOUR_US, Series

# A reading stands for the time until the next one: for half an hour at most, or as long as it lasted.
_LONGEST_US = HOUR_US // 2


Quantity = tuple[str, str]
"""What a quantity is called, and its unit."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Where failures of a kind came in a quantity: `values` at the first failure of each night.

    `share` is the part of all the time that was at least as far to `side`, the largest over the failures.
    `span` is the lowest and the highest value of all that time.
    `chance` is that of either side for this quantity alone, `chance_corrected` that of any that was tried.
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

    @property
    def farthest_back(self) -> float:
        """Return the value of the failure that came least far to `side`."""
        return max(self.values) if self.side is Side.BELOW else min(self.values)

    @property
    def sure(self) -> bool:
        """Whether chance alone would hardly do it: at most once in 20, all that was tried counted."""
        return self.chance_corrected <= SURE


def occurrences(
    series: Mapping[Quantity, Sequence[Series]], failed: Mapping[tuple[str, Quantity], Sequence[float]]
) -> tuple[Occurrence, ...]:
    """Return where each kind of failure came in each quantity, the rarest first.

    `series` has each quantity's series of every night, up to its first failure; `failed`, by event and
    quantity, the value at the first failure of each night that had one.
    """
    tried = [key for key, values in failed.items() if values]
    found = [_occurrence(*key, series[key[1]], failed[key], len(tried)) for key in tried]
    return tuple(sorted(found, key=lambda one: one.chance))


def _occurrence(
    event: str, quantity: Quantity, nights: Sequence[Series], values: Sequence[float], tried: int
) -> Occurrence:
    spent = sorted(pair for each in nights for pair in _time_at_values(each))
    ordered = [value for value, _ in spent]
    reached = [0]
    for _, length_us in spent:
        reached.append(reached[-1] + length_us)
    total = reached[-1] or 1
    below = [reached[bisect_right(ordered, value)] / total for value in values]
    above = [1 - reached[bisect_left(ordered, value)] / total for value in values]
    chance_below = sum_of_uniforms_chance(sum(below), len(values))
    chance_above = sum_of_uniforms_chance(sum(above), len(values))
    side = Side.BELOW if chance_below <= chance_above else Side.ABOVE
    chance = min(1.0, 2 * min(chance_below, chance_above))
    share = max(below if side is Side.BELOW else above)
    every = [*ordered, *values]
    return Occurrence(
        event=event,
        quantity=quantity[0],
        unit=quantity[1],
        side=side,
        values=tuple(values),
        share=share,
        span=(min(every), max(every)),
        chance=chance,
        chance_corrected=min(1.0, tried * chance),
    )


def _time_at_values(series: Series) -> list[tuple[float, int]]:
    """Return each reading with how long it stands, in microseconds."""
    records = series.records
    following = [one.moment_us for one in records[1:]]
    if records:
        # The last one stands as long as the one before it did.
        step = records[-1].moment_us - records[-2].moment_us if len(records) > 1 else _LONGEST_US
        following.append(records[-1].moment_us + step)
    return [
        (one.first, min(after - one.moment_us, max(_LONGEST_US, one.lasted_us)))
        for one, after in zip(records, following, strict=True)
    ]
