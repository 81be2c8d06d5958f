"""Whether failures came at values that the nights otherwise seldom had.

Of each night with a failure the first one counts, and no time after it: what follows is no news. How often
chance alone would pick values so seldom had is found by drawing the failures anew (`redrawing.py`).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from manifests.readings.comparing import SURE, Side
from manifests.readings.happenings import Failure, Span
from manifests.readings.series import HOUR_US, Series

# A reading stands for the time until the next one: for half an hour at most, or as long as it lasted.
_LONGEST_US = HOUR_US // 2


Quantity = tuple[str, str]
"""What a quantity is called, and its unit."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One night, from when to when it is watched: its first failure, or None, and its readings."""

    up: Span
    first: Failure | None
    series: Mapping[Quantity, Series]

    @property
    def until_us(self) -> int:
        """Return the moment of the failure, else the night's end."""
        return self.up.to_us if self.first is None else self.first.at_us


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Where failures of a kind came in a quantity: `values` at the first failure of each night.

    `share` is the part of all the time before a failure that was at least as far to `side`, the largest over
    the failures. `span` is the lowest and the highest value of all that time. `chance` is that of either side
    for this quantity alone, `chance_corrected` that of any that was tried.
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
        """Return whether chance alone does it at most once in 20, all that was tried counted."""
        return self.chance_corrected <= SURE


def occurrences(nights: Sequence[Watched]) -> tuple[Occurrence, ...]:
    """Return where each kind of failure came in each quantity, the rarest first."""
    kinds = dict.fromkeys(each.first.event for each in nights if each.first is not None)
    found = [one for event in kinds for one in _of_kind(event, nights, len(kinds))]
    return tuple(sorted(found, key=lambda one: (one.chance, one.share)))


def _of_kind(event: str, nights: Sequence[Watched], kinds: int) -> Iterator[Occurrence]:
    from manifests.readings.redrawing import chances_among, distances, drawn

    cells = _Cells(nights, event)
    happened, draws = cells.happened, drawn(cells.at_risk, cells.happened)
    quantities = dict.fromkeys(quantity for each in nights for quantity in each.series)
    tried = {one: values for one in quantities if any(map(math.isfinite, values := cells.at_failure(one)))}
    far, far_by_chance = [], []
    for quantity, values in tried.items():
        grid = cells.grid(quantity)
        far.append(float(distances(grid, happened, np_array(values))[0]))
        far_by_chance.append(distances(grid, draws))
    chances = chances_among(far, far_by_chance) if tried else []
    for (quantity, values), (chance, corrected) in zip(tried.items(), chances, strict=True):
        known = tuple(value for value in values if math.isfinite(value))
        # Kinds of failures are tried one by one.
        yield _occurrence(event, quantity, nights, known, (chance, min(1.0, kinds * corrected)))
