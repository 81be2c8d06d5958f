"""The moon: where it is seen, how much of it is lit, and how far from the target it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from manifests.frames.sky.earth import Earth

if TYPE_CHECKING:
    from manifests.frames.sky.altitude import Direction
    from manifests.frames.sky.columns import Floats


def moon_from_earth_au(earth: Earth) -> Floats:
    """Return the vectors from the Earth's centre to the moon's (Meeus 1998, chapter 47; within 10″)."""
    import erfa

    vectors: Floats = erfa.moon98(*earth.tt_jd)["p"]
    return vectors


def moon_direction(earth: Earth, moon_au: Floats) -> Direction:
    """Return where the moon's centre is seen from the observer's place, parallax included.

    Neither aberration nor the light's travel time is applied: moon and observer circle the sun
    together, so all but 1″ of the two cancels.
    """
    import erfa

    observer_au = earth.observer["eb"] - earth.from_barycentre_au
    ra, dec = erfa.c2s(erfa.rxp(earth.observer["bpn"], moon_au - observer_au))
    return ra, dec


def illuminated_fraction(earth: Earth, moon_au: Floats) -> Floats:
    """Return the lit part of the moon's disk, 0 (new) to 1 (full), seen from the Earth's centre.

    It follows from the phase angle between sun and Earth at the moon (Meeus 1998, formula 48.1).
    """
    import erfa
    import numpy as np

    phase_angle = erfa.sepp(-moon_au, -earth.from_sun_au - moon_au)
    fraction: Floats = (1.0 + np.cos(phase_angle)) / 2.0
    return fraction


def separation_deg(one: Direction, other: Direction) -> Floats:
    """Return the angle between two directions, degrees."""
    import erfa
    import numpy as np

    angle: Floats = np.degrees(erfa.seps(*one, *other))
    return angle
