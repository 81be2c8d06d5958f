"""The Earth at each moment: where it is, how it is turned, and who looks at the sky from it.

astropy's own engine (pyerfa, which always comes with astropy) is called directly. The layer above it
takes ten times as long for the same numbers, and asks for tables of the Earth's rotation that it
would download.

UT1 is taken to be UTC. Since 1972 the two differ by less than 0.9 s (ITU-R TF.460-6), so altitudes
are right to 0.004°; polar motion, below 0.0002°, is left out. Before 1960 a time is taken to be UT1,
as times then were. From about 2035 the difference may grow (CGPM 2022, resolution 4), slowly: a
minute, which nobody expects within a century, would be a quarter of a degree.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats

JD_OF_MJD_ZERO = 2400000.5
METRES_PER_AU = 149597870700.0  # IAU 2012 Resolution B2


@dataclass(frozen=True, slots=True, eq=False)
class Earth:
    """Moments, and an observer for each. Vectors are ICRS axes in au, one row a moment.

    `observer` is the engine's own record of all that stands between a star and its place in the sky.
    """

    tt_jd: tuple[Floats, Floats]
    from_barycentre_au: Floats
    from_sun_au: Floats
    observer: Any


def earth_at(mjd: Floats, latitude_deg: Floats, longitude_deg: Floats, elevation_m: Floats) -> Earth:
    """Return the Earth at each moment (MJD, UTC) with its observer; no air, hence no refraction."""
    import erfa
    import numpy as np

    with warnings.catch_warnings():
        # Years before UTC began or too far ahead for its leap seconds, and an Earth outside 1900 to
        # 2100: still right to an arc minute or so, which is all that a frame's sky needs there.
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        tt_jd = erfa.taitt(*erfa.utctai(JD_OF_MJD_ZERO, mjd))
        from_sun, from_barycentre = erfa.epv00(*tt_jd)
    # IAU 2000B: 0.002″ from the full model, in a twentieth of its time.
    x, y, origin = erfa.xys00b(*tt_jd)
    observer = erfa.apco(
        *tt_jd,
        from_barycentre,
        from_sun["p"],
        x,
        y,
        origin,
        erfa.era00(JD_OF_MJD_ZERO, mjd),
        np.radians(longitude_deg),
        np.radians(latitude_deg),
        elevation_m,
        *(0.0, 0.0),  # polar motion
        *(0.0, 0.0, 0.0),  # turning of the terrestrial origin (below 0.0001″), refraction A and B
    )
    return Earth(tt_jd, from_barycentre["p"], from_sun["p"], observer)
