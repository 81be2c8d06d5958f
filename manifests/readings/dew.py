"""The dew point of air.

Magnus formula over water, with the coefficients of Alduchov & Eskridge 1996 (Journal of Applied Meteorology
35, 601–609, equation 21): 17.625 and 243.04 °C, good to 0.4 % of the vapour pressure from −40 to 50 °C.
"""

from __future__ import annotations

import math

_B = 17.625
_C_DEG_C = 243.04


def dew_point_deg_c(air_deg_c: float, humidity_percent: float) -> float | None:
    """Return the dew point over water, °C, of air of a temperature (°C) and a relative humidity (%).

    None where there is none: a humidity of nothing or over 110 % (sensors overshoot a little), air beyond
    −90 to 70 °C.
    """
    if not (0.0 < humidity_percent <= 110.0 and -90.0 <= air_deg_c <= 70.0):
        return None
    gamma = math.log(humidity_percent / 100.0) + _B * air_deg_c / (_C_DEG_C + air_deg_c)
    return _C_DEG_C * gamma / (_B - gamma)
