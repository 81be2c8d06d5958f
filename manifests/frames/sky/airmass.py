"""Airmass: how much more air a target is seen through than at the zenith."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats, Numbers


def airmass_at(altitude_deg: Numbers) -> Floats:
    """Give the relative airmass at each altitude; NaN below the horizon.

    Formula of Kasten and Young, Applied Optics 28, 4735 (1989). As published it gives 0.99971, not 1,
    at the zenith, and 37.92 at the horizon. It is made for altitudes as seen through the air; here it
    is given altitudes without refraction, which makes it 0.1 % too large at 30° and 2.5 % at 5°.
    """
    import numpy as np

    altitude = np.asarray(altitude_deg, dtype=np.float64)
    height = np.where((altitude >= 0.0) & (altitude <= 90.0), altitude, np.nan)
    return 1.0 / (np.sin(np.radians(height)) + 0.50572 * (height + 6.07995) ** -1.6364)
