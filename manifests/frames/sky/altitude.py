"""Directions in the sky: a target's and the sun's, and how high above the horizon each stands.

A direction is a pair of arrays, right ascension and declination on the celestial equator of date, in
radians, as the observer sees it (precession, nutation, aberration, light bent by the sun).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

from manifests.frames.sky.earth import Earth

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats

    Direction: TypeAlias = tuple[Floats, Floats]


def target_direction(earth: Earth, ra_deg: Floats, dec_deg: Floats) -> Direction:
    """Return where a target at ICRS coordinates (degrees) is seen."""
    import erfa
    import numpy as np

    ra, dec = erfa.atciqz(np.radians(ra_deg), np.radians(dec_deg), earth.observer)
    return ra, dec


def sun_direction(earth: Earth) -> Direction:
    """Return where the sun's centre is seen."""
    import erfa

    ra, dec = erfa.atciqz(*erfa.c2s(-earth.observer["eh"]), earth.observer)
    return ra, dec


def horizontal(earth: Earth, direction: Direction) -> tuple[Floats, Floats]:
    """Return altitude and azimuth (from north through east) in degrees, without refraction."""
    import erfa
    import numpy as np

    azimuth, zenith_distance, *_ = erfa.atioq(*direction, earth.observer)
    return 90.0 - np.degrees(zenith_distance), np.degrees(azimuth)
