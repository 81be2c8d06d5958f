"""Positions of targets: naming a frame that has no name, and finding targets that share a field.

Positions are in degrees, ICRS or J2000. Callers convert a header's position of another equinox first: that
of date differs by up to a third of a degree by now.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, floor, isfinite

from manifests.frames.frame import Frame
from manifests.frames.names.angles import separation_deg

ASSUMED_FIELD_DEG = 0.5
"""The field of view assumed where the header does not give it: that of a small telescope."""

UNPLACED = "unplaced"
"""The name of a target that has neither a name nor a position."""


@dataclass(frozen=True, slots=True)
class KnownTarget:
    """A target in the archive: its name, where its frames point, the shorter side of their field."""

    name: str
    ra_deg: float
    dec_deg: float
    field_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """The name of a frame whose header has none, and `how` it was found, as a sentence."""

    name: str
    how: str


@dataclass(frozen=True, slots=True)
class SameField:
    """Two targets in the same field: reported, never merged."""

    first: KnownTarget
    second: KnownTarget
    separation_deg: float


def field_of_view_deg(frame: Frame) -> float | None:
    """Return the shorter side of a frame's field, degrees, or None where its facts don't say.

    The pixel size is taken as that of the binned pixel, as the headers' common practice has it.
    """
    if not (frame.width_px and frame.height_px and frame.pixel_um and frame.focal_length_mm):
        return None
    side_mm = min(frame.width_px, frame.height_px) * frame.pixel_um / 1000
    field_deg = degrees(2 * atan2(side_mm / 2, frame.focal_length_mm))
    return field_deg if 0 < field_deg < 180 else None


def place(
    ra_deg: float | None,
    dec_deg: float | None,
    field_deg: float | None,
    known: Sequence[KnownTarget],
    why: str = "",
) -> Placement:
    """Name a frame that has no name after what it points at; `why` says what its header has instead.

    The nearest target of `known` within the field (half of `field_deg`, its shorter side, from the
    middle); else a name made from the position. Add what comes back to `known` before the next
    frame: the same field dithered by some seconds of arc must not become a second target.
    """
    no_name = f"a name ({why})" if why else "a name"
    head = f"The header gives no{no_name.removeprefix('a')}"
    if ra_deg is None or dec_deg is None or not _on_the_sky(ra_deg, dec_deg):
        return Placement(UNPLACED, f"The header gives neither {no_name} nor a position.")
    field = field_deg if field_deg is not None else ASSUMED_FIELD_DEG
    assumed = "" if field_deg is not None else ", assumed because the header does not say"
    nearest, apart_deg = _nearest(ra_deg, dec_deg, field / 2, known)
    if nearest is not None:
        return Placement(
            nearest.name,
            f"{head}; {nearest.name} is {apart_deg:.2f}° away, within the field of {field:.2f}°{assumed}.",
        )
    name = position_name(ra_deg, dec_deg)
    return Placement(
        name,
        f"{head} and no known target lies within the field of {field:.2f}°{assumed}:"
        f" {name} is made from the position.",
    )


def position_name(ra_deg: float, dec_deg: float) -> str:
    """Return a name made from a position, such as "J0133+3039".

    Hours, minutes and degrees, minutes are cut, not rounded, as the IAU's recommendations for
    designations ask. Raises ValueError for a position that is not on the sky.
    """
    if not _on_the_sky(ra_deg, dec_deg):
        raise ValueError(f"not a position on the sky: {ra_deg}, {dec_deg}")
    # Rounded first: floating-point arithmetic may leave a whole minute slightly too small.
    minutes_of_time = floor(round(ra_deg % 360 * 4, 9)) % 1440
    minutes_of_arc = floor(round(abs(dec_deg) * 60, 9))
    sign = "-" if dec_deg < 0 else "+"
    return (
        f"J{minutes_of_time // 60:02}{minutes_of_time % 60:02}"
        f"{sign}{minutes_of_arc // 60:02}{minutes_of_arc % 60:02}"
    )


def same_field(targets: Sequence[KnownTarget]) -> list[SameField]:
    """Return the pairs of targets less than a quarter of their field apart, the closest first.

    Of two fields the smaller counts; a field that is not known is taken as half a degree. The
    targets are sorted by declination, so thousands take no time unless they share one place.
    """
    ordered = sorted(targets, key=lambda target: target.dec_deg)
    declinations = [target.dec_deg for target in ordered]
    pairs: list[SameField] = []
    for index, target in enumerate(ordered):
        reach = _reach_deg(target)
        for other in ordered[index + 1 : bisect_right(declinations, target.dec_deg + reach)]:
            apart = separation_deg(target.ra_deg, target.dec_deg, other.ra_deg, other.dec_deg)
            if apart <= min(reach, _reach_deg(other)):
                pairs.append(SameField(target, other, apart))
    return sorted(pairs, key=lambda pair: (pair.separation_deg, pair.first.name, pair.second.name))


def _reach_deg(target: KnownTarget) -> float:
    return (target.field_deg or ASSUMED_FIELD_DEG) / 4


def _nearest(
    ra_deg: float, dec_deg: float, within_deg: float, known: Sequence[KnownTarget]
) -> tuple[KnownTarget | None, float]:
    nearest, least_deg = None, within_deg
    for target in known:
        if abs(target.dec_deg - dec_deg) <= least_deg:
            apart_deg = separation_deg(ra_deg, dec_deg, target.ra_deg, target.dec_deg)
            if apart_deg <= least_deg and not (nearest is not None and apart_deg == least_deg):
                nearest, least_deg = target, apart_deg
    return nearest, least_deg


def _on_the_sky(ra_deg: float, dec_deg: float) -> bool:
    return isfinite(ra_deg) and isfinite(dec_deg) and -90 <= dec_deg <= 90
