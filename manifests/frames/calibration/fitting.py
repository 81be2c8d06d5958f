"""Which groups of calibration frames are like enough to a setup, and which comes nearest otherwise."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from manifests.frames.calibration.choosing import Timeline, first_full, sets_by_nearness
from manifests.frames.calibration.criteria import (
    CAMERA,
    CAMERA_SERIAL,
    CLOSE,
    Agreement,
    Close,
    agreement_of,
    differing,
    unknown,
)
from manifests.frames.calibration.setups import Group, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

# A limit is met by what is exactly that far away, whatever the arithmetic makes of it.
_HAIR = 1e-9
_SAME_EXPOSURE_S = 0.001


@dataclass(frozen=True, slots=True)
class Fits:
    """The groups that fit, and the facts that could not be checked because no header gives them.

    `passed_over` are groups of a nearer exposure with too few frames.
    """

    groups: Timeline
    not_checked: tuple[str, ...]
    passed_over: tuple[Group, ...] = ()


class Shelves:
    """The groups of one type of calibration frame, shelved by what must agree.

    Nights make no difference here. Each question is answered once.
    """

    def __init__(self, kind: FrameType, groups: Iterable[Group], tolerances: Tolerances) -> None:
        self._kind = kind
        self._tolerances = tolerances
        self._by_exposure = next((fact for fact in CLOSE[kind] if fact.required), None)
        self._shelves: dict[Agreement, list[Group]] = {}
        for group in sorted(groups, key=_exposure_s):
            self._shelves.setdefault(agreement_of(kind, group.setup), []).append(group)
        self._answers: dict[Setup, Fits] = {}
        self._nearest: dict[Setup, Setup | None] = {}

    def fits(self, need: Setup) -> Fits:
        """Return the groups that fit; of them those with the fewest facts unknown, the nearest exposure."""
        need = replace(need, night=None)
        if need not in self._answers:
            self._answers[need] = self._fits(need)
        return self._answers[need]

    def _fits(self, need: Setup) -> Fits:
        every = list(self._every_fit(need))
        fewest = min((len(not_known) for _, not_known in every), default=0)
        best = [(group, not_known) for group, not_known in every if len(not_known) == fewest]
        groups: Sequence[Group] = [group for group, _ in best]
        passed_over: tuple[Group, ...] = ()
        if self._by_exposure and need.exposure_s is not None:
            exposures = sets_by_nearness(groups, need.exposure_s, self._by_exposure.value, _SAME_EXPOSURE_S)
            nearest = first_full(exposures, self._tolerances.least_count)
            groups, passed_over = nearest.groups, nearest.passed_over
        not_checked = dict.fromkeys(name for _, not_known in best for name in not_known)
        return Fits(Timeline(groups), tuple(not_checked), passed_over)

    def _every_fit(self, need: Setup) -> Iterator[tuple[Group, tuple[str, ...]]]:
        wanted = agreement_of(self._kind, need)
        for agreement, groups in self._shelves.items():
            if differing(self._kind, wanted, agreement):
                continue
            not_known = unknown(self._kind, wanted, agreement)
            for group in self._of_exposure(need, groups):
                apart = [(fact, _apart(fact, need, group.setup)) for fact in CLOSE[self._kind]]
                if all(self._is_close(fact, need, distance) for fact, distance in apart):
                    too = tuple(fact.name for fact, distance in apart if distance is None)
                    yield group, not_known + too

    def _of_exposure(self, need: Setup, groups: Sequence[Group]) -> Sequence[Group]:
        """Return the part of a shelf whose exposures may fit; a shelf is in the order of exposures."""
        if self._by_exposure is None or need.exposure_s is None:
            return groups
        limit = self._by_exposure.limit(self._tolerances, need.exposure_s) + _HAIR
        first = bisect_left(groups, need.exposure_s - limit, key=_exposure_s)
        return groups[first : bisect_right(groups, need.exposure_s + limit, key=_exposure_s)]

    def _is_close(self, fact: Close, need: Setup, apart: float | None) -> bool:
        # An unknown exposure is not among those looked at; another fact can only be left unchecked.
        return apart is None or apart <= fact.limit(self._tolerances, fact.value(need) or 0.0) + _HAIR

    def nearest(self, need: Setup) -> Setup | None:
        """Return the setup that comes nearest: the same camera, the fewest differences, the least far off."""
        need = replace(need, night=None)
        if need not in self._nearest:
            self._nearest[need] = self._find_nearest(need)
        return self._nearest[need]

    def _find_nearest(self, need: Setup) -> Setup | None:
        if not self._shelves:
            return None
        wanted = agreement_of(self._kind, need)
        unlike = {agreement: self._unlikeness(wanted, agreement) for agreement in self._shelves}
        least = min(unlike.values())
        likest = [
            group.setup for had, groups in self._shelves.items() if unlike[had] == least for group in groups
        ]
        return min(likest, key=lambda have: self._distance(need, have))

    def _unlikeness(self, wanted: Agreement, had: Agreement) -> tuple[bool, int]:
        differences = differing(self._kind, wanted, had)
        return not {CAMERA.name, CAMERA_SERIAL.name}.isdisjoint(differences), len(differences)

    def _distance(self, need: Setup, have: Setup) -> float:
        """Return how far off the close facts are, each measured by its own limit."""
        total = 0.0
        for fact in CLOSE[self._kind]:
            apart = _apart(fact, need, have)
            if apart is not None:
                total += apart / (fact.limit(self._tolerances, fact.value(need) or 0.0) or 1.0)
        return total


def _apart(fact: Close, need: Setup, have: Setup) -> float | None:
    rather = None if fact.rather is None else _apart(fact.rather, need, have)
    if rather is not None:
        return rather
    wanted, had = fact.value(need), fact.value(have)
    return None if wanted is None or had is None else fact.apart(wanted, had)


def _exposure_s(group: Group) -> float:
    return -1.0 if group.setup.exposure_s is None else group.setup.exposure_s
