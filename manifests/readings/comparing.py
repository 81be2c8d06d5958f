"""Nights side by side: which quantity parts the poor ones from the good ones, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from manifests.readings.permutations import Chances, chances, corrected_chances, doubled_ranks

SURE = 0.05
# Two quantities that rank the nights so much alike cannot be told apart by them.
_ALIKE = 0.9
_LEAST_TO_BE_ALIKE = 4
_MOST_NIGHTS_MORE = 40


class Statistic(StrEnum):
    """What is compared of a quantity, in the order in which equals are named."""

    LOWEST = "lowest"
    HIGHEST = "highest"
    FIRST = "first"
    LAST = "last"
    FALL = "fall per hour"


class Side(StrEnum):
    """On which side of a value the poor nights are."""

    BELOW = "below"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class Measure:
    """One statistic of one quantity in each night, None where a night has none; `unit` is the statistic's.

    One that is `derived` from others (a dew point) is named after them where both part the nights. `not_on`
    is the side on which the number of readings alone would put the poor nights. `hours` are those after
    sunset that it is taken over; None is the whole night.
    """

    quantity: str
    unit: str
    statistic: Statistic
    values: tuple[float | None, ...]
    derived: bool = False
    not_on: Side | None = None
    hours: tuple[float, float] | None = None

    @property
    def what(self) -> str:
        """Return the statistic, with its hours where they are not the whole night."""
        if self.hours is None:
            return self.statistic.value
        return f"{self.statistic}, {self.hours[0]:.1f} to {self.hours[1]:.1f} h after sunset"

    @property
    def name(self) -> str:
        """Return the quantity and the statistic."""
        return f"{self.quantity}, {self.what}"


@dataclass(frozen=True, slots=True)
class Separation:
    """A measure that parts the nights: the poor ones lie on one side of `between`, but for `exceptions`.

    `exceptions` are nights' places, `poor` and `good` how many nights of each kind have a value. `chances`
    are those of this measure alone; `chance` is of these the one that was asked for beforehand, or that of
    either side; `chance_corrected` is that of any of the measures tried. `follows` names a measure before it
    that ranks the nights alike.
    """

    measure: Measure
    poor_side: Side
    between: tuple[float, float]
    exceptions: tuple[int, ...]
    poor: int
    good: int
    chances: Chances
    chance: float
    chance_corrected: float
    expected: bool
    follows: str = ""

    @property
    def clean(self) -> bool:
        """Whether no night lies on the other side."""
        return not self.exceptions

    @property
    def sure(self) -> bool:
        """Whether chance alone would hardly do it: at most once in 20, all that was tried counted."""
        return self.chance_corrected <= SURE


@dataclass(frozen=True, slots=True)
class Comparison:
    """What parts the nights, the clearest first; how many nights of each kind, and measures tried."""

    separations: tuple[Separation, ...]
    poor: int
    good: int
    tried: int


def compare(
    measures: Sequence[Measure],
    poor: Sequence[bool],
    expected: Mapping[tuple[str, Statistic], Side] | None = None,
) -> Comparison:
    """Return which measures part the poor nights from the others.

    Where something was expected beforehand, only that is tried, on the side expected. Statistics of one
    quantity that are the same in every night are tried once. No measure parts the nights to the side on which
    the number of readings alone would put them.
    """
    expected = expected or {}
    wanted = _distinct(_expected(measures, expected) if expected else measures)
    tried = [one for one in wanted if _has_both(one, poor)]
    if not tried:
        return Comparison((), sum(poor), len(poor) - sum(poor), 0)
    sides = [_asked(expected.get((one.quantity, one.statistic))) for one in tried]
    corrected = _corrected(tried, poor, sides)
    found = [
        _separation(one, poor, side, chance)
        for one, side, chance in zip(tried, sides, corrected, strict=True)
    ]
    clear = [one for one in found if one is not None]
    clear.sort(key=_unclearness)
    return Comparison(tuple(_with_followers(clear)), sum(poor), len(poor) - sum(poor), len(tried))


def _expected(measures: Sequence[Measure], expected: Mapping[tuple[str, Statistic], Side]) -> list[Measure]:
    """Return one measure for each expectation: the whole night's, else that of the hours in common."""
    found: dict[tuple[str, Statistic], Measure] = {}
    for one in sorted(measures, key=lambda each: each.hours is not None):
        key = one.quantity, one.statistic
        if key in expected and expected[key] is not one.not_on:
            found.setdefault(key, one)
    return list(found.values())


def _distinct(measures: Sequence[Measure]) -> list[Measure]:
    """Return measures without those whose values another of the quantity has, one without a side left out."""
    kept: dict[tuple[str, tuple[float | None, ...]], Measure] = {}
    for one in sorted(measures, key=lambda each: each.not_on is not None):
        kept.setdefault((one.quantity, one.values), one)
    return [one for one in measures if kept[one.quantity, one.values] is one]


def _has_both(measure: Measure, poor: Sequence[bool]) -> bool:
    kinds = {is_poor for value, is_poor in zip(measure.values, poor, strict=True) if value is not None}
    return len(kinds) == 2


def _asked(side: Side | None) -> int:
    return 0 if side is None else -1 if side is Side.BELOW else 1


def _corrected(tried: Sequence[Measure], poor: Sequence[bool], sides: Sequence[int]) -> list[float]:
    import numpy as np

    rows = [[math.nan if value is None else value for value in one.values] for one in tried]
    return corrected_chances(np.array(rows, dtype=np.float64), np.array(poor, dtype=bool), sides)


def _separation(measure: Measure, poor: Sequence[bool], asked: int, corrected: float) -> Separation | None:
    """Return a measure as a separation; None where it parts the nights neither cleanly nor clearly."""
    there = [
        (value, is_poor, place)
        for place, (value, is_poor) in enumerate(zip(measure.values, poor, strict=True))
        if value is not None
    ]
    found = chances(
        [value for value, is_poor, _ in there if is_poor],
        [value for value, is_poor, _ in there if not is_poor],
    )
    below = found.below <= found.above if asked == 0 else asked < 0
    side = Side.BELOW if below else Side.ABOVE
    if side is measure.not_on:
        return None
    between, exceptions = _best_parting(sorted(there), below)
    chance = found.either if asked == 0 else found.below if below else found.above
    if exceptions and chance > SURE:
        return None
    # The correction may come from drawn choices; it never makes a finding surer than it is alone.
    return Separation(
        measure=measure,
        poor_side=side,
        between=between,
        exceptions=exceptions,
        poor=sum(is_poor for _, is_poor, _ in there),
        good=sum(not is_poor for _, is_poor, _ in there),
        chances=found,
        chance=chance,
        chance_corrected=max(chance, corrected),
        expected=asked != 0,
    )


def _best_parting(
    ordered: Sequence[tuple[float, bool, int]], below: bool
) -> tuple[tuple[float, float], tuple[int, ...]]:
    """Return the two values between which the fewest nights lie on the wrong side, and those nights."""
    best: tuple[int, float, tuple[float, float], tuple[int, ...]] | None = None
    for cut in range(1, len(ordered)):
        low, high = ordered[cut - 1][0], ordered[cut][0]
        if low == high:
            continue
        wrong = tuple(
            place for at, (_, is_poor, place) in enumerate(ordered) if (at < cut) != (is_poor is below)
        )
        candidate = (len(wrong), low - high, (low, high), wrong)
        if best is None or candidate < best:
            best = candidate
    if best is None:  # all values are equal
        return (ordered[0][0], ordered[0][0]), tuple(place for _, is_poor, place in ordered if is_poor)
    return best[2], best[3]


def _unclearness(one: Separation) -> tuple[bool, bool, float, float, int, float]:
    # What is derived from other quantities is named after them, but what is sure before what is not.
    rank = one.chance_corrected, one.chance, len(one.exceptions), -_clearance(one)
    return not one.sure, one.measure.derived, *rank


def _clearance(one: Separation) -> float:
    """Return how wide the gap between the two kinds is, as a part of all that the values span."""
    values = [value for value in one.measure.values if value is not None]
    span = max(values) - min(values)
    return (one.between[1] - one.between[0]) / span if span else 0.0


def _with_followers(found: Sequence[Separation]) -> list[Separation]:
    """Say of each separation which one before it ranks the nights alike."""
    told: list[Separation] = []
    for one in found:
        leader = next((each for each in told if not each.follows and _alike(each.measure, one.measure)), None)
        told.append(replace(one, follows="" if leader is None else leader.measure.name))
    return told


def _alike(one: Measure, other: Measure) -> bool:
    pairs = [(a, b) for a, b in zip(one.values, other.values, strict=True) if a is not None and b is not None]
    if len(pairs) < _LEAST_TO_BE_ALIKE:
        return False
    first, second = (doubled_ranks([pair[side] for pair in pairs]) for side in (0, 1))
    return abs(_correlation(first, second)) >= _ALIKE


def _correlation(first: Sequence[float], second: Sequence[float]) -> float:
    """Return Pearson's correlation; of ranks it is Spearman's."""
    middle_first, middle_second = sum(first) / len(first), sum(second) / len(second)
    off_first = [value - middle_first for value in first]
    off_second = [value - middle_second for value in second]
    size = math.sqrt(sum(x * x for x in off_first) * sum(y * y for y in off_second))
    together = sum(x * y for x, y in zip(off_first, off_second, strict=True))
    return together / size if size else 0.0


def nights_to_be_sure(one: Separation) -> tuple[int, int] | None:
    """Return how many more poor and good nights, each on its own side, would make a separation sure.

    As few as can be, as even as can be. The correction is taken to grow the chance as much as it does now.
    None where even many would not.
    """
    factor = one.chance_corrected / one.chance if one.chance else 1.0
    ways = 1 if one.expected else 2
    for more in range(1, _MOST_NIGHTS_MORE):
        fits = [
            (poor_more, more - poor_more)
            for poor_more in range(more + 1)
            if ways * factor / math.comb(one.poor + one.good + more, one.poor + poor_more) <= SURE
        ]
        if fits:
            return min(fits, key=lambda each: abs(one.poor + each[0] - one.good - each[1]))
    return None
