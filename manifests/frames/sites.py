"""The site of a frame: the configured one, unless its header names a place elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, cos, degrees, hypot, radians, sin

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame

# A header's site this far from the configured one, degrees of a great circle, is another place.
ELSEWHERE_DEG = 1.0
_KM_PER_DEG = 111.2  # a degree of a great circle, on a sphere of 6371 km


@dataclass(frozen=True, slots=True)
class FrameSite:
    """Where a frame was taken, degrees, north and east positive; `finding` where that is elsewhere."""

    latitude_deg: float | None
    longitude_deg: float | None
    finding: Finding | None = None


def site_of(frame: Frame | None, latitude_deg: float | None, longitude_deg: float | None) -> FrameSite:
    """Return the site that a frame's night and sky follow from; the arguments are the configured site.

    A header is taken at its word where it names a place more than ELSEWHERE_DEG away that is not the
    configured one with the sign of latitude or longitude turned (some count west). Latitude and longitude
    of 0° both stand for a site that was never set. What is not configured is taken from the header.
    """
    said_latitude = None if frame is None else frame.site_latitude_deg
    said_longitude = None if frame is None else frame.site_longitude_deg
    if said_latitude is None or said_longitude is None or (said_latitude, said_longitude) == (0.0, 0.0):
        return FrameSite(
            said_latitude if latitude_deg is None else latitude_deg,
            said_longitude if longitude_deg is None else longitude_deg,
        )
    latitude = said_latitude if latitude_deg is None else latitude_deg
    if longitude_deg is None:
        return FrameSite(latitude, said_longitude)
    configured = latitude, longitude_deg
    apart_deg = _apart_deg((said_latitude, said_longitude), configured)
    turned = (
        (said_latitude, -said_longitude),
        (-said_latitude, said_longitude),
        (-said_latitude, -said_longitude),
    )
    if apart_deg <= ELSEWHERE_DEG or any(_apart_deg(each, configured) <= ELSEWHERE_DEG for each in turned):
        return FrameSite(*configured)
    return FrameSite(said_latitude, said_longitude, _elsewhere(said_latitude, said_longitude, apart_deg))


def _apart_deg(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the great circle's angle between two places (haversine formula)."""
    (latitude, longitude), (other_latitude, other_longitude) = one, other
    across = sin(radians(other_longitude - longitude) / 2)
    along = sin(radians(other_latitude - latitude) / 2)
    half = hypot(along, across * (cos(radians(latitude)) * cos(radians(other_latitude))) ** 0.5)
    return degrees(2 * asin(min(half, 1.0)))


def _elsewhere(latitude_deg: float, longitude_deg: float, apart_deg: float) -> Finding:
    place = (
        f"{abs(latitude_deg):.2f}° {'N' if latitude_deg >= 0 else 'S'},"
        f" {abs(longitude_deg):.2f}° {'E' if longitude_deg >= 0 else 'W'}"
    )
    far = f"{apart_deg * _KM_PER_DEG:,.0f} km from the configured site"
    return Finding(FindingKind.SITE_ELSEWHERE, f"{place}, {far}; its night and its sky are those of there")
