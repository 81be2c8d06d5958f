"""Which frames stand out of those of the same night, target, filter, setup and exposure, and by what numbers.

Everything is compared with medians, and with the scatter that the median absolute deviation gives (1.4826
times it, for a normal distribution), so that a few odd frames do not hide themselves. The limits are common
practice, and chosen so that a quiet night has no finding. What airmass does to the size of stars, and a
brighter sky to their number, is allowed for where it is known. A finding is never a verdict: seeing and dew
change stars as well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import log10
from statistics import median
from typing import NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.frames.measures.frame_measures import FrameMeasures

KINDS = (
    FindingKind.STREAKED,
    FindingKind.CLOUD,
    FindingKind.FEWER_STARS,
    FindingKind.FOCUS_DRIFT,
    FindingKind.NO_STARS,
    FindingKind.NOT_MEASURED,
)
"""The findings that follow from measures."""

LEAST_FRAMES = 5
"""So many measured frames, at least, are compared with each other."""

_NORMAL = 1.4826
_FAR = 5.0  # in scatters of the frame's companions
_BRIGHTER = 3.0
_OF_STARS = 0.7  # of the usual number
_HARDLY_ANY = 0.02
_STREAKED, _STREAKED_ALONE = 1.25, 2.0  # elongations; the second is one that needs no comparison
_BLURRED = 1.25  # of the size of the sharpest quarter
# A magnitude fainter there are twice as many stars, as in most fields: common practice.
_FAINTER = 2.5 * log10(2)
_EXPLAINS = 0.95
# Seeing makes stars grow with airmass to this power (Fried 1966, by Kolmogorov's law; from memory).
_SEEING = 0.6
_MOST_AIRMASS = 40.0  # at the horizon it is 38
# The least scatter that is believed: a few frames may agree by chance.
_LEAST_SCATTER_OF_STARS, _LEAST_SCATTER_OF_SKY, _LEAST_SCATTER_OF_ELONGATION = 0.03, 0.005, 0.02
_LEAST_SCATTER_OF_SIZE = 0.02


class MeasuredFrame(NamedTuple):
    """A frame's measures, when it was begun (microseconds since 1970, UTC), and through how much air.

    Time and airmass are None where they are not known.
    """

    begun_us: int | None
    measures: FrameMeasures
    airmass: float | None = None


@dataclass(frozen=True, slots=True)
class _Usual:
    """The median of some frames' values, their scatter, and how many they are."""

    value: float
    scatter: float
    frames: int


def findings_of(frames: Sequence[MeasuredFrame]) -> list[tuple[Finding, ...]]:
    """Return the findings of each frame of a group, in the order of the frames.

    The frames are of one night, target, filter, setup and exposure.
    """
    drifting = _drifting(frames)
    rules = (_not_measured, _no_stars(frames), _clouded(frames), _streaked(frames))
    found: list[tuple[Finding, ...]] = []
    for number, frame in enumerate(frames):
        of_rules = [finding for rule in rules if (finding := rule(frame.measures)) is not None]
        found.append((*of_rules, *([drifting[number]] if number in drifting else [])))
    return found


def _not_measured(measures: FrameMeasures) -> Finding | None:
    return Finding(FindingKind.NOT_MEASURED, measures.why_not) if measures.why_not else None


Rule = Callable[[FrameMeasures], Finding | None]


def _no_stars(frames: Sequence[MeasuredFrame]) -> Rule:
    usual = _usual((frame.measures.stars for frame in frames), 0.0)

    def rule(measures: FrameMeasures) -> Finding | None:
        if measures.stars is None or (measures.stars and not _is_hardly_any(measures.stars, usual)):
            return None
        detail = (
            f"{measures.stars:,} stars stand out of the noise" if measures.stars else "no star stands out"
        )
        beside = f"; the median of {usual.frames:,} frames is {usual.value:,.0f}" if usual else ""
        return Finding(FindingKind.NO_STARS, detail + beside)

    return rule


def _is_hardly_any(stars: int, usual: _Usual | None) -> bool:
    return usual is not None and stars < _HARDLY_ANY * usual.value


def _clouded(frames: Sequence[MeasuredFrame]) -> Rule:
    stars = _usual((frame.measures.stars for frame in frames), _LEAST_SCATTER_OF_STARS)
    sky = _usual((frame.measures.background_adu for frame in frames), _LEAST_SCATTER_OF_SKY)
    noise = _usual((frame.measures.noise_adu for frame in frames), 0.0)

    def rule(measures: FrameMeasures) -> Finding | None:
        if stars is None or sky is None or not measures.stars or _is_hardly_any(measures.stars, stars):
            return None
        left = _left_by_noise(measures.noise_adu, noise)
        few = left * min(_OF_STARS * stars.value, stars.value - _FAR * stars.scatter)
        if measures.stars >= few or measures.background_adu is None:
            return None
        brighter = measures.background_adu > sky.value + _BRIGHTER * sky.scatter
        explained = f", of which its noise leaves {left * stars.value:,.0f}" if left < _EXPLAINS else ""
        detail = (
            f"{measures.stars:,} stars, where the median of {stars.frames:,} frames is {stars.value:,.0f}"
            f" (scatter {stars.scatter:,.0f}){explained}; sky {measures.background_adu:.5g} ADU,"
            f" median {sky.value:.5g} (scatter {sky.scatter:.2g})"
        )
        return Finding(FindingKind.CLOUD if brighter else FindingKind.FEWER_STARS, detail)

    return rule


def _left_by_noise(noise_adu: float | None, usual: _Usual | None) -> float:
    """Return the part of the usual stars that still stand out of more noise, such as moonlight has."""
    if usual is None or noise_adu is None or not 0 < usual.value < noise_adu:
        return 1.0
    return float((usual.value / noise_adu) ** _FAINTER)


def _streaked(frames: Sequence[MeasuredFrame]) -> Rule:
    usual = _usual((frame.measures.elongation for frame in frames), 0.0)

    def rule(measures: FrameMeasures) -> Finding | None:
        if measures.elongation is None or measures.elongation_deg is None:
            return None
        most = _STREAKED_ALONE
        if usual is not None:
            scatter = max(usual.scatter, _LEAST_SCATTER_OF_ELONGATION)
            most = min(most, max(_STREAKED, usual.value + _FAR * scatter))
        if measures.elongation < most:
            return None
        detail = f"stars {measures.elongation:.2f} times as long as wide, at {measures.elongation_deg:.0f}°"
        beside = f"; the median of {usual.frames:,} frames is {usual.value:.2f}" if usual else ""
        return Finding(FindingKind.STREAKED, detail + beside)

    return rule


def _drifting(frames: Sequence[MeasuredFrame]) -> dict[int, Finding]:
    """Return a finding for each frame, by its number, in which stars have grown for several frames running.

    Where every airmass is known, they have to have grown by more than a target that sinks explains.
    """
    timed = sorted(
        (frame.begun_us, number, frame.measures.size_px, _believed(frame.airmass))
        for number, frame in enumerate(frames)
        if frame.begun_us is not None and frame.measures.size_px is not None
    )
    if len(timed) < LEAST_FRAMES:
        return {}
    sizes = [size for _, _, size, _ in timed]
    at_zenith = [size / airmass**_SEEING for _, _, size, airmass in timed if airmass is not None]
    grown, beside = _grown(sizes), "; focus or seeing"
    if len(at_zenith) == len(sizes):
        grown &= _grown(at_zenith)
        beside = f", more than airmass explains{beside}"
    head = f"where the sharpest quarter of {len(sizes):,} frames has {_sharp(sizes):.2f}"
    return {
        number: Finding(FindingKind.FOCUS_DRIFT, f"stars of {size:.2f} pixels, {head}{beside}")
        for place, (_, number, size, _) in enumerate(timed)
        if place in grown
    }


def _believed(airmass: float | None) -> float | None:
    return airmass if airmass is not None and 1.0 <= airmass <= _MOST_AIRMASS else None


def _sharp(sizes: Sequence[float]) -> float:
    """Return the size that a quarter of the frames does not exceed."""
    return sorted(sizes)[(len(sizes) - 1) // 4]


def _grown(sizes: Sequence[float]) -> set[int]:
    """Return the places, in the order of time, at which stars are larger than in the sharpest quarter.

    Of three frames in a row the middle size counts: one gust of wind is no drift.
    """
    sharp = _sharp(sizes)
    # From one frame to the next: a drift over hours adds nothing to it.
    steps = [abs(after - before) for before, after in pairwise(sizes)]
    scatter = max(_NORMAL * median(steps) / 2**0.5, _LEAST_SCATTER_OF_SIZE * sharp)
    most = max(_BLURRED * sharp, sharp + _FAR * scatter)
    return {
        place
        for place, size in enumerate(sizes)
        if size > most
        and median(sizes[place - 1 : place + 2] if 0 < place < len(sizes) - 1 else _at_end(sizes, place))
        > most
    }


def _at_end(sizes: Sequence[float], place: int) -> Sequence[float]:
    return sizes[:3] if place == 0 else sizes[-3:]


def _usual(values: Iterable[float | None], least_scatter: float) -> _Usual | None:
    """Return what is usual of some values, or None where too few are known.

    `least_scatter` is a part of the median.
    """
    known = [value for value in values if value is not None]
    if len(known) < LEAST_FRAMES:
        return None
    middle = median(known)
    scatter = _NORMAL * median(abs(value - middle) for value in known)
    return _Usual(middle, max(scatter, least_scatter * abs(middle)), len(known))
