"""Which quantities go together through the hours of nights, so that those nights cannot tell them apart."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TypeVar

from manifests.readings.permutations import doubled_ranks
from manifests.readings.series import HOUR_US, Series

# Two quantities that rank nights, or hours, so much alike cannot be told apart by them.
ALIKE = 0.9
_LEAST_NIGHTS, _LEAST_MOMENTS = 3, 12
_STEP_US = HOUR_US // 6

_Found = TypeVar("_Found")


def measured_first(
    found: Sequence[_Found], derived: Callable[[_Found], bool], as_good: Callable[[_Found, _Found], bool]
) -> list[_Found]:
    """Return findings in their order, but before one that is derived all measured ones `as_good` as it is.

    A dew point follows from a temperature, so that whatever parts nights by temperature parts them by dew
    point, too, and by chance a little more clearly.
    """
    ordered: list[_Found] = []
    for one in found:
        if derived(one):
            better = (each for each in found if not derived(each) and as_good(each, one))
            ordered += [each for each in better if each not in ordered]
        ordered += [] if one in ordered else [one]
    return ordered


def go_together(nights: Iterable[tuple[Series | None, Series | None]]) -> bool:
    """Return whether two quantities rise and fall together, or one as the other falls, over some nights.

    They are looked at every ten minutes of every night in which both were read, of three at least: in fewer
    whatever falls falls together. The limit is common practice: a rank correlation of 0.9 either way.
    """
    of_nights = [pairs for one, other in nights if one and other and (pairs := list(_pairs(one, other)))]
    pairs = [pair for of_night in of_nights for pair in of_night]
    if len(of_nights) < _LEAST_NIGHTS or len(pairs) < _LEAST_MOMENTS:
        return False
    return abs(rank_correlation([one for one, _ in pairs], [other for _, other in pairs])) >= ALIKE


def _pairs(one: Series, other: Series) -> Iterator[tuple[float, float]]:
    reached_us = -_STEP_US
    for record in one.records:
        value = other.at(record.moment_us)
        if record.moment_us - reached_us >= _STEP_US and value is not None:
            reached_us = record.moment_us
            yield record.first, value


def rank_correlation(one: Sequence[float], other: Sequence[float]) -> float:
    """Return Spearman's rank correlation; 0 where one of the two never changes."""
    first, second = doubled_ranks(one), doubled_ranks(other)
    middle_first, middle_second = sum(first) / len(first), sum(second) / len(second)
    off_first = [value - middle_first for value in first]
    off_second = [value - middle_second for value in second]
    size = math.sqrt(sum(x * x for x in off_first) * sum(y * y for y in off_second))
    together = sum(x * y for x, y in zip(off_first, off_second, strict=True))
    return together / size if size else 0.0
