"""The angle between two directions, for a few of them at a time (no array library is loaded)."""

from __future__ import annotations

from math import atan2, cos, degrees, hypot, radians, sin


def separation_deg(ra1_deg: float, dec1_deg: float, ra2_deg: float, dec2_deg: float) -> float:
    """Return the angle between two directions on the sky, degrees.

    Vincenty's formula on a sphere: exact for tiny angles and for opposite directions alike.
    """
    dec1, dec2, between = radians(dec1_deg), radians(dec2_deg), radians(ra2_deg - ra1_deg)
    across = cos(dec2) * sin(between)
    along = cos(dec1) * sin(dec2) - sin(dec1) * cos(dec2) * cos(between)
    towards = sin(dec1) * sin(dec2) + cos(dec1) * cos(dec2) * cos(between)
    return degrees(atan2(hypot(across, along), towards))
