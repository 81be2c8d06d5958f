"""A circle on the sky in unit vectors, which need no special case for poles or RA zero."""

from __future__ import annotations

import math
from dataclasses import dataclass


def direction(ra_deg: float, dec_deg: float) -> tuple[float, float, float]:
    """Return a position on the sky as a unit vector."""
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    return math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)


def position(x: float, y: float, z: float) -> tuple[float, float] | None:
    """Return the position (right ascension, declination, degrees) of a vector; None for the zero vector."""
    across = math.hypot(x, y)
    if across == 0 and z == 0:
        return None
    return math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.atan2(z, across))


@dataclass(frozen=True, slots=True)
class Cone:
    """All positions no farther than `radius_deg` from one (ICRS, degrees).

    Raises ValueError for an impossible declination or radius.
    """

    ra_deg: float
    dec_deg: float
    radius_deg: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.ra_deg) and -90 <= self.dec_deg <= 90):
            raise ValueError(f"not a position on the sky: {self.ra_deg}, {self.dec_deg}")
        if not 0 <= self.radius_deg <= 180:
            raise ValueError(f"not the radius of a circle on the sky: {self.radius_deg}")

    def centre(self) -> tuple[float, float, float]:
        """Return the centre as a unit vector."""
        return direction(self.ra_deg, self.dec_deg)

    def greatest_chord_squared(self) -> float:
        """Return the square of the distance of two unit vectors that are the radius apart.

        Distances resolve small angles, whose cosines all round to one.
        """
        # A position at the very edge belongs to the circle, whatever the last digit says.
        return (2 * math.sin(math.radians(self.radius_deg) / 2)) ** 2 * (1 + 1e-12) + 1e-30

    def box(self) -> tuple[tuple[float, float], ...]:
        """Return the minimum and maximum x, y and z within the circle."""
        radius = math.radians(self.radius_deg)
        return tuple(_span(math.acos(max(-1.0, min(1.0, axis))), radius) for axis in self.centre())


# Of what the rounding of a box's edges may take away.
_SLACK = 1e-12


def _span(from_axis: float, radius: float) -> tuple[float, float]:
    """Return the minimum and maximum cosine of the angle from an axis, within a radius of an angle."""
    nearest, farthest = max(0.0, from_axis - radius), min(math.pi, from_axis + radius)
    return math.cos(farthest) - _SLACK, math.cos(nearest) + _SLACK
