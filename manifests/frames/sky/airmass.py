"""Airmass: how much more air a target is seen through than at the zenith."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats, Numbers

# Altitude, without refraction, of what is seen on the horizon: 34′ (Meeus 1998, chapter 15).
LOWEST_SEEN_DEG = -0.57


def airmass_at(altitude_deg: Numbers) -> Floats:
    """Return the relative airmass at each altitude (degrees, without refraction); NaN where none is seen.

    Down to 0° the formula of Kasten and Young, Applied Optics 28, 4735 (1989). As published it gives
    0.99971, not 1, at the zenith, and 37.92 at the horizon. It is made for altitudes as seen through the
    air; altitudes without refraction make it 0.1 % too large at 30°, 2.5 % at 5°, a fifth at 0°.

    Between 0° and LOWEST_SEEN_DEG refraction still lifts a target above the horizon. There the formula of
    Young, Applied Optics 33, 1108 (1994), made for altitudes without refraction, applies, but never less
    than the value at 0°: a lower target is not seen through less air.
    """
    import numpy as np

    altitude = np.asarray(altitude_deg, dtype=np.float64)
    above = _kasten_young(np.where((altitude >= 0.0) & (altitude <= 90.0), altitude, np.nan))
    lifted = np.where((altitude < 0.0) & (altitude >= LOWEST_SEEN_DEG), altitude, np.nan)
    below = np.maximum(_young(lifted), _kasten_young(np.zeros(1))[0])
    airmass: Floats = np.where(np.isnan(lifted), above, below)
    return airmass


def _kasten_young(altitude_deg: Floats) -> Floats:
    import numpy as np

    return 1.0 / (np.sin(np.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)


def _young(altitude_deg: Floats) -> Floats:
    import numpy as np

    height = np.sin(np.radians(altitude_deg))  # the cosine of the zenith distance
    over = 1.002432 * height**2 + 0.148386 * height + 0.0096467
    return over / (height**3 + 0.149864 * height**2 + 0.0102963 * height + 0.000303978)
