"""Of the calibration frames that fit, those to take: one time, one temperature."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import date

from manifests.frames.calibration.setups import Group, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

_HAIR = 1e-9


class Timeline:
    """Groups in the order of their nights, those without a night apart."""

    def __init__(self, groups: Iterable[Group]) -> None:
        every = list(groups)
        dated = [(group.setup.night, group) for group in every if group.setup.night is not None]
        dated.sort(key=lambda pair: (pair[0], pair[1].paths))
        self._nights = [night.toordinal() for night, _ in dated]
        self._dated = [group for _, group in dated]
        self._undated = [group for group in every if group.setup.night is None]

    def __bool__(self) -> bool:
        return bool(self._dated or self._undated)

    def nearest(self, night: date | None) -> Group:
        """Give a group of the nearest night (of two as near the earlier), of the latest without one.

        Raises IndexError where there are no groups.
        """
        if not self._dated:
            return self._undated[0]
        if night is None:
            return self._dated[-1]
        at = bisect_left(self._nights, night.toordinal())
        beside = range(max(0, at - 1), min(len(self._nights), at + 1))
        return self._dated[min(beside, key=lambda index: abs(self._nights[index] - night.toordinal()))]

    def around(self, anchor: Group, nights: int) -> list[Group]:
        """Give the groups at most so many nights from another, oldest first."""
        if anchor.setup.night is None:
            return list(self._undated)
        middle = anchor.setup.night.toordinal()
        first, last = bisect_left(self._nights, middle - nights), bisect_right(self._nights, middle + nights)
        return self._dated[first:last]


def choose(kind: FrameType, need: Setup, fitting: Timeline, tolerances: Tolerances) -> list[Group]:
    """Give the groups to take, oldest first; none where flats lie too many nights away.

    Flats are those of one night, the nearest before or after (of two as near, the one before). Of
    the rest, the frames around the nearest night are taken together: a library is made over several
    nights and serves for months.
    """
    anchor = fitting.nearest(need.night)
    if kind is FrameType.FLAT:
        away, furthest = nights_apart(need, anchor.setup), tolerances.flat_nights
        too_far = away is not None and furthest is not None and abs(away) > furthest
        return [] if too_far else fitting.around(anchor, 0)
    taken = fitting.around(anchor, tolerances.library_nights)
    if kind is FrameType.BIAS:
        return taken
    # Two libraries a degree apart may both fit; mixed they would be neither.
    return nearest_within(taken, need, lambda setup: setup.sensor_deg_c, tolerances.sensor_deg_c / 2)


def nights_apart(need: Setup, have: Setup) -> int | None:
    """Give the nights from one setup to another, negative where the second is earlier."""
    if need.night is None or have.night is None:
        return None
    return have.night.toordinal() - need.night.toordinal()


def nearest_within(
    groups: Sequence[Group], need: Setup, value: Callable[[Setup], float | None], spread: float
) -> list[Group]:
    """Keep the groups within `spread` of the one whose value is nearest to the need's.

    All of them where the value is not known.
    """
    wanted = value(need)
    known = [(had, group) for group in groups if (had := value(group.setup)) is not None]
    if wanted is None or not known:
        return list(groups)
    nearest = min((had for had, _ in known), key=lambda had: (abs(had - wanted), had))
    return [group for had, group in known if abs(had - nearest) <= spread + _HAIR]
