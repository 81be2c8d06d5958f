"""Of the calibration frames that fit, those to take: one time, one temperature, and enough of them."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from manifests.frames.calibration.setups import Group, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

_HAIR = 1e-9

# How many nights farther away a full set may be than a nearer one of too few frames. Dust moves within weeks;
# a library of darks serves for months (common practice).
_FLATS_NEARBY_NIGHTS = 30
_LIBRARY_NEARBY_NIGHTS = 180


@dataclass(frozen=True, slots=True)
class Choice:
    """The groups to take, oldest first, and what deserves saying about the choice.

    `passed_over` is a nearer set of too few frames. `temperatures` are the sets that a need without a
    temperature could have had, one group of each.
    """

    groups: tuple[Group, ...] = ()
    passed_over: tuple[Group, ...] = ()
    temperatures: tuple[Group, ...] = ()


class Timeline:
    """Groups in the order of their nights; those without a night count where there are no others."""

    def __init__(self, groups: Iterable[Group]) -> None:
        self._every = list(groups)
        dated = [(group.setup.night, group) for group in self._every if group.setup.night is not None]
        dated.sort(key=lambda pair: (pair[0], pair[1].paths))
        self._nights = [night.toordinal() for night, _ in dated]
        self._dated = [group for _, group in dated]

    def __bool__(self) -> bool:
        return bool(self._every)

    def nearest(self, night: date | None) -> Group:
        """Return a group of the nearest night (of two as near the earlier), of the latest without one.

        Raises IndexError where there are no groups.
        """
        if not self._dated:
            return self._every[0]
        if night is None:
            return self._dated[-1]
        at = bisect_left(self._nights, night.toordinal())
        beside = range(max(0, at - 1), min(len(self._nights), at + 1))
        return self._dated[min(beside, key=lambda index: abs(self._nights[index] - night.toordinal()))]

    def nearby(self, night: date | None, nights: int) -> Iterator[Group]:
        """Yield one group of each night at most so many nights farther away than the nearest, in order."""
        nearest = self.nearest(night)
        yield nearest
        if nearest.setup.night is None:
            return
        middle = (night or nearest.setup.night).toordinal()
        reach = abs(nearest.setup.night.toordinal() - middle) + nights
        first, last = bisect_left(self._nights, middle - reach), bisect_right(self._nights, middle + reach)
        others = sorted(range(first, last), key=lambda index: (abs(self._nights[index] - middle), index))
        for night_number, indices in groupby(others, key=lambda index: self._nights[index]):
            if night_number != nearest.setup.night.toordinal():
                yield self._dated[next(indices)]

    def around(self, anchor: Group, nights: int) -> list[Group]:
        """Return the groups at most so many nights from another, oldest first."""
        if anchor.setup.night is None:
            return list(self._every)
        middle = anchor.setup.night.toordinal()
        first, last = bisect_left(self._nights, middle - nights), bisect_right(self._nights, middle + nights)
        return self._dated[first:last]


def choose(kind: FrameType, need: Setup, fitting: Timeline, tolerances: Tolerances) -> Choice:
    """Choose the groups to take; none where flats lie too many nights away.

    Flats are those of one night, the nearest before or after (of two as near, the one before). Of
    the rest, the frames around the nearest night are taken together: a library is made over several
    nights and serves for months. A set of fewer than `least_count` frames gives way to a full one nearby.
    """
    if kind is FrameType.FLAT:
        furthest = tolerances.flat_nights
        nights = (
            fitting.around(anchor, 0)
            for anchor in fitting.nearby(need.night, _FLATS_NEARBY_NIGHTS)
            if abs(nights_apart(need, anchor.setup) or 0) <= furthest
        )
        return first_full(nights, tolerances.least_count)
    libraries = (
        fitting.around(anchor, tolerances.library_nights)
        for anchor in fitting.nearby(need.night, _LIBRARY_NEARBY_NIGHTS)
    )
    if kind is FrameType.BIAS:
        return first_full(libraries, tolerances.least_count)
    spread = tolerances.sensor_deg_c / 2
    wanted = need.sensor_deg_c
    if wanted is None:
        return _of_one_temperature(next(libraries), spread)
    # Two libraries a degree apart may both fit; mixed they would be neither.
    sets = (each for library in libraries for each in sets_by_nearness(library, wanted, _temperature, spread))
    return first_full(sets, tolerances.least_count)


def nights_apart(need: Setup, have: Setup) -> int | None:
    """Return the nights from one setup to another, negative where the second is earlier."""
    if need.night is None or have.night is None:
        return None
    return have.night.toordinal() - need.night.toordinal()


def sets_by_nearness(
    groups: Sequence[Group], wanted: float, value: Callable[[Setup], float | None], spread: float
) -> Iterator[list[Group]]:
    """Yield sets of the groups within `spread` of one value, the value nearest to the one wanted first.

    Groups without a value are a set only where none has one.
    """
    known = [(had, group) for group in groups if (had := value(group.setup)) is not None]
    if not known:
        yield list(groups)
    for middle in sorted({had for had, _ in known}, key=lambda had: (abs(had - wanted), had)):
        yield [group for had, group in known if abs(had - middle) <= spread + _HAIR]


def count(groups: Iterable[Group]) -> int:
    """Return how many frames the groups have."""
    return sum(len(group.paths) for group in groups)


def first_full(sets: Iterable[list[Group]], least_count: int) -> Choice:
    """Choose the first set of enough frames, else the first of all."""
    first: list[Group] = []
    for each in sets:
        first = first or each
        if count(each) >= least_count:
            passed_over = () if each is first else tuple(group for group in first if group not in each)
            return Choice(tuple(each), passed_over)
    return Choice(tuple(first))


def _temperature(setup: Setup) -> float | None:
    return setup.sensor_deg_c


def _of_one_temperature(library: Sequence[Group], spread: float) -> Choice:
    """Choose the temperature with the most frames, of as many the coldest: mixed they would be none."""
    known = {group.setup.sensor_deg_c: group for group in library if group.setup.sensor_deg_c is not None}
    if not known:
        return Choice(tuple(library))
    sets = [
        (middle, next(sets_by_nearness(library, middle, _temperature, spread))) for middle in sorted(known)
    ]
    _, largest = max(sets, key=lambda pair: count(pair[1]))
    different = tuple(known.values()) if len(largest) < len(library) else ()
    return Choice(tuple(largest), temperatures=different)
