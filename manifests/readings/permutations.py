"""Exact permutation tests for two kinds of nights: how often chance alone would part them as clearly.

The statistic is the sum of ranks (Wilcoxon 1945), equal values sharing the middle of their ranks. If the kind
of a night had nothing to do with a quantity, every choice of as many nights would be equally likely.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Choices are all tried up to this many; beyond, as many are drawn, always the same ones.
MOST_CHOICES = 20_000
_SEED = 20260314
# Sums of ranks are multiples of a half: what differs by less is equal.
_EQUAL = 1e-9


class Chances(NamedTuple):
    """How often chance puts the marked values at least as far below, above, or to either side."""

    below: float
    above: float
    either: float


def chances(marked: Sequence[float], others: Sequence[float]) -> Chances:
    """Return the exact permutation probabilities of the marked values' sum of ranks.

    `either` is twice the smaller of the two, as in scipy's tests, and 1 at most; all are 1 where there is
    nothing to compare.
    """
    if not marked or not others:
        return Chances(1.0, 1.0, 1.0)
    ranks = doubled_ranks([*marked, *others])
    counts = _counts_of_sums(ranks, len(marked))
    total, observed = sum(counts.values()), sum(ranks[: len(marked)])
    below = sum(count for rank_sum, count in counts.items() if rank_sum <= observed) / total
    above = sum(count for rank_sum, count in counts.items() if rank_sum >= observed) / total
    return Chances(below, above, min(1.0, 2 * min(below, above)))


def doubled_ranks(values: Sequence[float]) -> list[int]:
    """Return twice the rank of each value, from 1; equal values have the middle of theirs."""
    order = sorted(values)
    first = {value: place for place, value in reversed(list(enumerate(order)))}
    count = Counter(order)
    return [2 * first[value] + count[value] + 1 for value in values]


def _counts_of_sums(ranks: Sequence[int], chosen: int) -> dict[int, int]:
    """Return how many choices of so many ranks have each sum."""
    sums: list[dict[int, int]] = [{0: 1}, *({} for _ in range(chosen))]
    for rank in ranks:
        for size in range(chosen, 0, -1):
            for rank_sum, count in sums[size - 1].items():
                sums[size][rank_sum + rank] = sums[size].get(rank_sum + rank, 0) + count
    return sums[chosen]


def corrected_chances(
    table: Floats, marked: Flags, sides: Sequence[int], without: Sequence[Floats] = ()
) -> list[float]:
    """Return, for each row of values, the chance that any row would part the nights as clearly.

    `table` has a row for each quantity tried and a column for each night, NaN where a night has no value;
    `sides` says of each row whether below (-1), above (1) or either side (0) was asked for. `without` are two
    more tables, of what must lie as far below, and as far above, at the same time. The chance is that of the
    smallest probability over all rows (Westfall & Young 1993, min-p), which takes into account that
    quantities go together.
    """
    import numpy as np

    choices = _choices(len(marked), int(marked.sum()), marked)
    below, above = without or (table, table)
    rows = zip(table, below, above, sides, strict=True)
    distances = np.stack([_distances_of_both(*row[:3], choices, row[3]) for row in rows])
    return [of_any for _, of_any in as_far(distances)]


def as_far(distances: Floats) -> list[tuple[float, float]]:
    """Return for each row how often it is as far as in its first column, and how often any row is.

    A row is a quantity, the first column what happened, and every other what chance made of it. The second is
    Westfall & Young's min-p (1993), which allows for quantities that go together.
    """
    import numpy as np

    # The share of columns at least as far away, for each column in each row.
    count = distances.shape[1]
    shares = np.stack(
        [(count - np.searchsorted(np.sort(row), row - _EQUAL, side="left")) / count for row in distances]
    )
    smallest = shares.min(axis=0)
    return [(float(row[0]), float((smallest <= row[0] + _EQUAL).mean())) for row in shares]


def _choices(nights: int, chosen: int, marked: Flags) -> Flags:
    """Return the choices of so many nights, the one that was made first."""
    import numpy as np

    if math.comb(nights, chosen) <= MOST_CHOICES:
        every = np.zeros((math.comb(nights, chosen), nights), dtype=bool)
        for row, places in enumerate(combinations(range(nights), chosen)):
            every[row, list(places)] = True
        made = np.flatnonzero((every == marked).all(axis=1))[0]
        every[[0, made]] = every[[made, 0]]
        return every
    drawn = np.random.default_rng(_SEED).random((MOST_CHOICES, nights)).argsort(axis=1) < chosen
    drawn[0] = marked
    return drawn


def _distances_of_both(whole: Floats, below: Floats, above: Floats, choices: Flags, side: int) -> Floats:
    """Return how far each choice lies to the side asked for, in `whole` and in what goes with that side."""
    import numpy as np

    off = _distances(whole, choices)
    far_below, far_above = -off, off
    if not np.array_equal(below, whole, equal_nan=True):
        far_below = np.minimum(far_below, -_distances(below, choices))
    if not np.array_equal(above, whole, equal_nan=True):
        far_above = np.minimum(far_above, _distances(above, choices))
    far: Floats = np.maximum(far_below, far_above) if side == 0 else far_below if side < 0 else far_above
    return far


def _distances(row: Floats, choices: Flags) -> Floats:
    """Return how far each choice's mean rank lies above the middle, in standard deviations."""
    import numpy as np

    there = np.isfinite(row)
    ranks = np.array(doubled_ranks(row[there].tolist()), dtype=np.float64)
    inside = choices[:, there]
    chosen, total = inside.sum(axis=1), int(there.sum())
    spread = ranks.var() * chosen * (total - chosen) / max(total - 1, 1)
    off = inside @ ranks - chosen * (ranks.mean() if total else 0.0)
    distances: Floats = np.divide(off, np.sqrt(spread), out=np.zeros(len(choices)), where=spread > 0)
    return distances
