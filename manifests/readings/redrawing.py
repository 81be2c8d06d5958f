"""Failures drawn anew at random moments of the same nights: how often chance picks values so seldom had.

If failures came whatever a quantity was, each could as well have come at any other moment of any night, with
the same chance in every minute, and the readings would be what they were. Nights are cut into cells of a few
minutes; as many failures as there were are drawn again and again. No time after a failure counts as time
spent, in what happened as in what is drawn: where a quantity falls all night long, the moment of the failure
is always the lowest so far, and only such a comparison allows for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from manifests.readings.happenings import MINUTE_US
from manifests.readings.permutations import as_far

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from manifests.readings.watched import Quantity, Watched

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Counts = NDArray[np.int16]

DRAWN = 1999
# What none of so many draws comes as far as is looked at in so many times as many.
TIMES_MORE = 10
_DRAWN_FOR_ONE = 10
_LEAST_CELL_US = 5 * MINUTE_US
_MOST_CELLS = 3000
_SOON_US = 30 * MINUTE_US
_PAIRS_AT_ONCE = 500_000
_MOST_PAIRS = 10_000_000
_SEED = 20260314


def _keep_last(values: Floats) -> None:
    known = np.flatnonzero(np.isfinite(values))
    if len(known):
        values[known[-1] + 1 :] = values[known[-1]]


@dataclass(frozen=True, slots=True)
class Draws:
    """Failures, a row a draw and a column a night: whether it failed, and its last cell at risk."""

    failed: Flags
    last: Whole


class Cells:
    """The nights cut into cells, in which failures of one kind happened, and may be drawn.

    `could_fail` is how many cells each night has until its end, or until a failure of another kind.
    """

    def __init__(self, nights: Sequence[Watched], event: str) -> None:
        self._nights = nights
        self._failed = [each.first is not None and each.first.event == event for each in nights]
        whole_us = sum(each.up.lasted_us for each in nights)
        self._cell_us = max(_LEAST_CELL_US, -(-whole_us // _MOST_CELLS))  # longer where nights are many
        self.could_fail = [
            self._cell(each, each.up.to_us if failed else each.until_us) + 1
            for each, failed in zip(nights, self._failed, strict=True)
        ]
        last = [self._cell(each, each.until_us) for each in nights]
        self.happened = Draws(np.array([self._failed]), np.array([last], dtype=np.int64))

    def _cell(self, night: Watched, moment_us: int) -> int:
        return max(0, moment_us - night.up.from_us) // self._cell_us

    def at_failure(self, quantity: Quantity) -> Floats:
        """Return a quantity's value at each night's failure, NaN where there is none."""
        values = (
            each.series[quantity].at(each.until_us) if failed and quantity in each.series else None
            for each, failed in zip(self._nights, self._failed, strict=True)
        )
        return np.array([math.nan if value is None else value for value in values])

    def ended(self, quantity: Quantity) -> list[bool]:
        """Return whether each night's readings of a quantity ended with its failure, or soon after."""
        found = [each.series[quantity].records if quantity in each.series else () for each in self._nights]
        return [
            bool(records) and records[-1].moment_us <= each.until_us + _SOON_US
            for records, each in zip(found, self._nights, strict=True)
        ]

    def grid(self, quantity: Quantity) -> Floats:
        """Return a quantity's value in each cell (column) of each night (row), NaN where there is none.

        Where readings end with a failure, the last one stays: what is drawn may come later.
        """
        found = np.full((len(self._nights), max(self.could_fail)), math.nan)
        for row, (night, cells) in enumerate(zip(self._nights, self.could_fail, strict=True)):
            if quantity in night.series:
                begun, series = night.up.from_us, night.series[quantity]
                values = [series.at(begun + cell * self._cell_us) for cell in range(cells)]
                found[row, :cells] = [math.nan if value is None else value for value in values]
                if self._failed[row]:
                    _keep_last(found[row, :cells])
        return found


def drawn(cells: Sequence[int], happened: Draws, times: int = 1) -> Draws:
    """Return DRAWN draws of as many failures as happened (its only row), at random cells of random nights.

    `cells` is how many cells each night could have failed in. The same every time; with `times` so many times
    as many, or as many as time allows where failures are many.
    """
    dice = np.random.default_rng(_SEED)
    failures = int(happened.failed.sum())
    times = max(1, min(times, _MOST_PAIRS // (DRAWN * failures**2)))
    parts = [_drawn(cells, happened, dice) for _ in range(times)]
    return Draws(np.concatenate([one.failed for one in parts]), np.concatenate([one.last for one in parts]))


def _drawn(cells: Sequence[int], happened: Draws, dice: np.random.Generator) -> Draws:
    failures = int(happened.failed.sum())
    at_risk = int((happened.last[0] + 1).sum())
    each = min(failures / at_risk, 0.999)
    lengths = np.array(cells, dtype=np.int64)
    chance_of_night: Floats = np.asarray(1.0 - (1.0 - each) ** lengths, dtype=np.float64)
    many = DRAWN * _DRAWN_FOR_ONE
    failed = _chosen(chance_of_night, failures, dice.random((many, len(cells))))
    within = dice.random((many, len(cells))) * chance_of_night
    at = np.floor(np.log1p(-within) / np.log1p(-each)).astype(np.int64)
    last = np.where(failed, np.minimum(at, lengths - 1), lengths - 1)
    # How often failures come is not known: given all the time at risk, it does not matter (it is sufficient).
    kept = np.argsort(np.abs((last + 1).sum(axis=1) - at_risk), kind="stable")[:DRAWN]
    return Draws(failed[kept], last[kept])


def _chosen(chances: Floats, many: int, dice: Floats) -> Flags:
    """Return, for each row of dice, which nights fail when exactly so many do, each with its own chance."""
    nights = len(chances)
    # Row n: the chance that exactly so many of the nights from n on fail.
    ahead = np.zeros((nights + 1, many + 2))
    ahead[nights, 0] = 1.0
    for night in range(nights - 1, -1, -1):
        fails = np.concatenate(([0.0], ahead[night + 1, :-1]))
        ahead[night] = (1.0 - chances[night]) * ahead[night + 1] + chances[night] * fails
    left = np.full(len(dice), many)
    chosen = np.zeros(dice.shape, dtype=bool)
    for night in range(nights):
        fails = chances[night] * ahead[night + 1, np.maximum(left - 1, 0)] * (left > 0)
        chosen[:, night] = dice[:, night] * ahead[night, left] < fails
        left -= chosen[:, night]
    return chosen


def distance(grid: Floats, happened: Draws, values: Floats, ended: Sequence[bool]) -> float:
    """Return how far to one side the failures that happened came, in standard deviations.

    `grid` has a quantity's value in each cell (column) of each night (row), `values` those at the failures,
    by night; NaN where there is none. The share of all time at risk with values up to that of a failure is
    about even from 0 to 1; the sum of the shares is compared with that of so many even numbers. In nights
    whose readings `ended` with the failure nobody knows what would have followed: all their time counts as
    spent that far to the side.
    """
    cells = np.arange(grid.shape[1])
    at_risk = np.isfinite(grid) & (cells <= happened.last[0][:, None])
    total = max(int(at_risk.sum()), 1)
    below, above = [], []
    for night in np.flatnonzero(np.isfinite(values)).tolist():
        certain = at_risk.copy()
        certain[night] &= not ended[night]
        unknown = int(at_risk[night].sum()) if ended[night] else 0
        below.append((int((certain & (grid <= values[night])).sum()) + unknown) / total)
        above.append((int((certain & (grid >= values[night])).sum()) + unknown) / total)
    half, spread = len(below) / 2, math.sqrt(max(len(below), 1) / 12)
    return max(half - sum(below), half - sum(above)) / spread


def distances(grid: Floats, draws: Draws) -> Floats:
    """Return the same for each draw, with the values of the cells that it chose."""
    known = np.isfinite(grid)
    values, counts = np.unique(grid[known], return_counts=True)
    if not len(values):
        return np.full(len(draws.last), -np.inf)
    ranks = np.full(grid.shape, len(values))
    ranks[known] = np.searchsorted(values, grid[known])
    left_out = _after_each_cell(ranks, len(values))
    up_to = np.concatenate(([0], np.cumsum(counts)))
    parts = [_distances(ranks, left_out, up_to, some) for some in _in_parts(draws)]
    return np.concatenate(parts)


def _after_each_cell(ranks: Whole, many: int) -> Counts:
    """Return for each cell how many of its night's cells after it have one of the first so many ranks."""
    below = ranks[:, :, None] < np.arange(many + 1)
    after = np.zeros(below.shape, dtype=np.int16)  # a night has no more than _MOST_CELLS
    after[:, :-1] = np.cumsum(below[:, :0:-1], axis=1, dtype=np.int16)[:, ::-1]
    return after


def _in_parts(draws: Draws) -> Iterator[Draws]:
    pairs = int(draws.failed[0].sum()) ** 2
    at_once = max(1, _PAIRS_AT_ONCE // max(pairs, 1))
    for start in range(0, len(draws.last), at_once):
        part = slice(start, start + at_once)
        yield Draws(draws.failed[part], draws.last[part])


def _distances(ranks: Whole, left_out: Counts, up_to: Whole, draws: Draws) -> Floats:
    """Count for each failure the cells at risk up to its value: all, but for those after failures."""
    row, failing = np.nonzero(draws.failed)
    shape = len(draws.last), -1  # each draw has as many failures
    failing, last = failing.reshape(shape), draws.last[row, failing].reshape(shape)
    rank = ranks[failing, last]
    every = up_to.size - 1
    known = rank < every
    rank = np.where(known, rank, 0)
    cells = failing[:, :, None], last[:, :, None]
    at_or_below, below = (
        up_to[reached] - left_out[*cells, reached[:, None, :]].sum(axis=1) for reached in (rank + 1, rank)
    )
    at_risk = np.maximum(up_to[every] - left_out[failing, last, every].sum(axis=1), 1)[:, None]
    count = known.sum(axis=1)
    shares = at_or_below / at_risk, 1.0 - below / at_risk
    far = [count / 2 - np.where(known, each, 0.0).sum(axis=1) for each in shares]
    result: Floats = np.maximum(*far) / np.sqrt(np.maximum(count, 1) / 12)
    return np.where(count > 0, result, -np.inf)


def smallest_chance(draws: Draws) -> float:
    """Return the chance of what none of these draws comes as far as: nothing smaller can be found."""
    return 1 / (len(draws.last) + 1)


def chances_among(happened: Sequence[float], by_chance: Sequence[Floats]) -> list[tuple[float, float]]:
    """Return for each quantity how often a draw came as far, and how often any quantity of a draw did."""
    pairs = zip(happened, by_chance, strict=True)
    return as_far(np.stack([np.concatenate(([own], far)) for own, far in pairs]))
