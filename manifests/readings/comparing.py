"""Nights side by side: which quantity parts the poor ones from the good ones, and how sure that is.

What a quantity was after a night failed may be the failure's doing, or only come after it: a mount that
stands still at midnight does not make the hours until dawn cold, yet they are among the night's. So a value
counts only where it parts the nights twice, to the same side: over whole nights, and without the hours after
each night's first failure (`Before`). A value that parts them only with those hours is kept apart
(`Separation.later_only`) and never sure.

Leaving hours out of the failed nights alone would itself make a difference: what falls all night has a higher
lowest reading in a shorter night. Two comparisons are free of that:

- the poor nights until their failure beside the good ones whole, where the shorter time works against the
  finding: a lowest reading below, a highest one above. Leaving hours out can only raise the poor nights'
  ranks there, so that the chance found is never smaller than that of whole nights, which is exact;
- the same hours after sunset in every night, up to the earliest failure, for everything else. Which hours
  they are depends on the failures' times alone: if verdicts had nothing to do with the quantity, every choice
  of nights would still be equally likely.

Chance must do both at once to be counted, so that noise is called sure no more often than by whole nights
alone. The correction for all that was tried (`permutations.py`) counts both together, too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from manifests.readings.permutations import Chances, chances, corrected_chances
from manifests.readings.together import ALIKE, measured_first, rank_correlation

SURE = 0.05
# What is named beside what is sure: 5.0 % and 5.1 % are no difference between two quantities.
NEARLY = 2 * SURE
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


Values = tuple[float | None, ...]
"""One number a night, None where a night has none."""


@dataclass(frozen=True, slots=True)
class Before:
    """A measure without the hours after each night's first failure.

    `below` is what to compare where the poor nights are said to lie below, `above` where above: each is free
    of what the shorter time alone would do on that side. On the sides `until_failure` each night counts as
    long as it went; on others the same `hours` after sunset of every night do.
    """

    below: Values
    above: Values
    until_failure: frozenset[Side]
    hours: tuple[float, float] | None

    def on(self, side: Side) -> Values:
        """Return what to compare where the poor nights are said to lie on a side."""
        return self.below if side is Side.BELOW else self.above


@dataclass(frozen=True, slots=True)
class Measure:
    """One statistic of one quantity in each night; `unit` is the statistic's.

    One that is `derived` from others (a dew point) is named after them where both part the nights. `not_on`
    is the side on which the number of readings alone would put the poor nights. `hours` are those after
    sunset that it is taken over; None is the whole night. `before` is the same without the hours after
    failures; None where no night has readings in such hours.
    """

    quantity: str
    unit: str
    statistic: Statistic
    values: Values
    derived: bool = False
    not_on: Side | None = None
    hours: tuple[float, float] | None = None
    before: Before | None = None

    @property
    def what(self) -> str:
        """Return the statistic, with its hours where they are not the whole night."""
        return _what(self.statistic, self.hours)

    def what_before(self, side: Side) -> str:
        """Return the statistic as it is taken without the hours after failures."""
        if self.before is None:
            return self.what
        if side not in self.before.until_failure:
            return _what(self.statistic, self.before.hours)
        return self.what if self.statistic is Statistic.FIRST else f"{self.what} before a failure"

    @property
    def name(self) -> str:
        """Return the quantity and the statistic."""
        return f"{self.quantity}, {self.what}"


def _what(statistic: Statistic, hours: tuple[float, float] | None) -> str:
    if hours is None:
        return statistic.value
    return f"{statistic}, {hours[0]:.1f} to {hours[1]:.1f} h after sunset"


@dataclass(frozen=True, slots=True)
class Parting:
    """Where values part the nights: the poor ones lie on one side of `between`, but for `exceptions`.

    `exceptions` are nights' places, `poor` and `good` how many nights of each kind have a value. `chances`
    are those of these values alone.
    """

    between: tuple[float, float]
    exceptions: tuple[int, ...]
    poor: int
    good: int
    chances: Chances

    def chance(self, side: Side, asked: bool) -> float:
        """Return how often chance does it to a side that was asked for, else to either side."""
        towards = self.chances.below if side is Side.BELOW else self.chances.above
        return towards if asked else min(1.0, 2 * towards)


@dataclass(frozen=True, slots=True)
class Separation:
    """A measure that parts the nights to `poor_side`: `whole` in whole nights, `without` the later hours.

    `without` is None where no night has readings after a failure, or nothing can be compared without them.
    `chance` is the larger one of the two, of the side that was asked for beforehand or of either;
    `chance_corrected` is that of any of the measures tried. `later_only` says that without the hours after
    failures the measure does not part the nights. `follows` names a measure before it that ranks them alike.
    """

    measure: Measure
    poor_side: Side
    whole: Parting
    without: Parting | None
    chance: float
    chance_corrected: float
    expected: bool
    later_only: bool = False
    follows: str = ""

    @property
    def told(self) -> Parting:
        """What counts: the parting without the hours after failures, where there is one."""
        return self.whole if self.without is None or self.later_only else self.without

    @property
    def what(self) -> str:
        """Return the statistic that `told` is about."""
        return self.measure.what if self.told is self.whole else self.measure.what_before(self.poor_side)

    @property
    def clean(self) -> bool:
        """Whether no night lies on the other side."""
        return not (self.whole.exceptions or self.told.exceptions)

    @property
    def sure(self) -> bool:
        """Whether chance alone would hardly do it: at most once in 20, all that was tried counted."""
        return not self.later_only and self.chance_corrected <= SURE


@dataclass(frozen=True, slots=True)
class Group:
    """Separations that rank the nights alike, so that these nights cannot tell which of them it is."""

    leader: Separation
    followers: tuple[Separation, ...]

    @property
    def surest(self) -> Separation:
        """Return the one that chance does least often."""
        return min((self.leader, *self.followers), key=lambda one: one.chance_corrected)

    @property
    def by_quantity(self) -> tuple[Separation, ...]:
        """Return the first of each quantity."""
        first: dict[str, Separation] = {}
        for one in (self.leader, *self.followers):
            first.setdefault(one.measure.quantity, one)
        return tuple(first.values())


@dataclass(frozen=True, slots=True)
class Comparison:
    """What parts the nights, the clearest first; how many nights of each kind, and measures tried.

    What is derived from other quantities comes after measured ones that part the nights about as well.
    """

    separations: tuple[Separation, ...]
    poor: int
    good: int
    tried: int

    @property
    def groups(self) -> tuple[Group, ...]:
        """Return what parts the nights, with what ranks them alike; the surest group first."""
        standing = [one for one in self.separations if not one.later_only]
        groups = (
            Group(leader, tuple(one for one in standing if one.follows == leader.measure.name))
            for leader in standing
            if not leader.follows
        )
        return tuple(sorted(groups, key=lambda one: one.surest.chance_corrected))


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
    ordered = measured_first(clear, lambda one: one.measure.derived, _parts_as_well)
    return Comparison(tuple(_with_followers(ordered)), sum(poor), len(poor) - sum(poor), len(tried))


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

    below, above = (
        [one.values if one.before is None else one.before.on(side) for one in tried]
        for side in (Side.BELOW, Side.ABOVE)
    )
    whole, *without = (
        np.array([[math.nan if value is None else value for value in row] for row in rows], dtype=np.float64)
        for rows in ([one.values for one in tried], below, above)
    )
    return corrected_chances(whole, np.array(poor, dtype=bool), sides, without)


def _separation(measure: Measure, poor: Sequence[bool], asked: int, corrected: float) -> Separation | None:
    """Return a measure as a separation; None where it parts the nights neither cleanly nor clearly."""
    values = _in_kinds(measure.values, poor)
    found = chances(*values)
    below = found.below <= found.above if asked == 0 else asked < 0
    side = Side.BELOW if below else Side.ABOVE
    if side is measure.not_on:
        return None
    whole = _parting(measure.values, poor, side)
    if not _parts(whole, side, asked != 0):
        return None
    without, later_only = None, False
    if measure.before is not None:
        values_before = measure.before.on(side)
        without = _parting(values_before, poor, side) if all(_in_kinds(values_before, poor)) else None
        later_only = without is None or not _parts(without, side, asked != 0)
    counted = [whole] if without is None or later_only else [whole, without]
    chance = max(each.chance(side, asked != 0) for each in counted)
    # The correction may come from drawn choices; it never makes a finding surer than it is alone.
    corrected = max(chance, corrected)
    return Separation(measure, side, whole, without, chance, corrected, asked != 0, later_only)


def _in_kinds(values: Values, poor: Sequence[bool]) -> tuple[list[float], list[float]]:
    """Return the values of the poor nights, and those of the others."""
    there = [(value, is_poor) for value, is_poor in zip(values, poor, strict=True) if value is not None]
    return [value for value, is_poor in there if is_poor], [value for value, is_poor in there if not is_poor]


def _parting(values: Values, poor: Sequence[bool], side: Side) -> Parting:
    of_poor, of_good = _in_kinds(values, poor)
    there = sorted(
        (value, is_poor, place)
        for place, (value, is_poor) in enumerate(zip(values, poor, strict=True))
        if value is not None
    )
    between, exceptions = _best_parting(there, side is Side.BELOW)
    return Parting(between, exceptions, len(of_poor), len(of_good), chances(of_poor, of_good))


def _parts(found: Parting, side: Side, asked: bool) -> bool:
    """Return whether values part the nights to a side: cleanly, or as chance does once in 20 at most."""
    return not found.exceptions or found.chance(side, asked) <= SURE


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


def _unclearness(one: Separation) -> tuple[bool, float, float, bool, int, bool, int, float]:
    measure, wrong = one.measure, len(one.told.exceptions)
    # Of equals the plainest is named first, and then what lies widest apart.
    plain = measure.hours is not None, list(Statistic).index(measure.statistic)
    return one.later_only, one.chance_corrected, one.chance, measure.derived, wrong, *plain, -_clearance(one)


def _parts_as_well(measured: Separation, derived: Separation) -> bool:
    """Return whether a measured quantity ranks the nights as a derived one does, about as surely."""
    near = measured.chance_corrected <= max(NEARLY, derived.chance_corrected)
    return near and measured.later_only == derived.later_only and _alike(measured.measure, derived.measure)


def _clearance(one: Separation) -> float:
    """Return how wide the gap between the two kinds is, as a part of all that the values span."""
    values = [value for value in one.measure.values if value is not None]
    span = max(values) - min(values)
    return (one.whole.between[1] - one.whole.between[0]) / span if span else 0.0


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
    return abs(rank_correlation([one for one, _ in pairs], [other for _, other in pairs])) >= ALIKE


def nights_to_be_sure(one: Separation) -> tuple[int, int] | None:
    """Return how many more poor and good nights, each on its own side, would make a separation sure.

    As few as can be, as even as can be. The correction is taken to grow the chance as much as it does now.
    None where even many would not.
    """
    factor = one.chance_corrected / one.chance if one.chance else 1.0
    ways = 1 if one.expected else 2
    poor, good = one.told.poor, one.told.good
    for more in range(1, _MOST_NIGHTS_MORE):
        fits = [
            (poor_more, more - poor_more)
            for poor_more in range(more + 1)
            if ways * factor / math.comb(poor + good + more, poor + poor_more) <= SURE
        ]
        if fits:
            return min(fits, key=lambda each: abs(poor + each[0] - good - each[1]))
    return None
