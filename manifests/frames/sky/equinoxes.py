"""Coordinates of another equinox, turned into ICRS."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats

# FITS Standard 4.0, section 8.3: without RADESYS, an EQUINOX before 1984.0 means FK4, else FK5.
FIRST_JULIAN_EQUINOX = 1984.0


def icrs_of(ra_deg: Floats, dec_deg: Floats, equinox: Floats) -> tuple[Floats, Floats]:
    """Return ICRS coordinates (degrees) of coordinates that each have an equinox (years, NaN for ICRS).

    An equinox before 1984 is Besselian (FK4: 1950 is B1950), a later one Julian (the mean equator of
    that year, 2000 being ICRS itself to 0.03″). Coordinates that a mount calls "of date" may also
    hold nutation and aberration, up to 0.01°; no header says so, and they are left in.
    """
    import numpy as np

    ra, dec = ra_deg.copy(), dec_deg.copy()
    of_date = (equinox >= FIRST_JULIAN_EQUINOX) & (equinox != 2000.0)
    if of_date.any():
        ra[of_date], dec[of_date] = _from_julian(ra[of_date], dec[of_date], equinox[of_date])
    for year in np.unique(equinox[equinox < FIRST_JULIAN_EQUINOX]):
        rows = equinox == year
        ra[rows], dec[rows] = _from_besselian(ra[rows], dec[rows], float(year))
    return ra, dec


def _from_julian(ra_deg: Floats, dec_deg: Floats, equinox: Floats) -> tuple[Floats, Floats]:
    import erfa
    import numpy as np

    to_mean_of_date = erfa.pmat06(*erfa.epj2jd(equinox))
    vectors = erfa.trxp(to_mean_of_date, erfa.s2c(np.radians(ra_deg), np.radians(dec_deg)))
    ra, dec = erfa.c2s(vectors)
    return np.degrees(ra) % 360.0, np.degrees(dec)


def _from_besselian(ra_deg: Floats, dec_deg: Floats, equinox: float) -> tuple[Floats, Floats]:
    import astropy.units as u
    from astropy.coordinates import FK4, SkyCoord
    from astropy.time import Time

    frame = FK4(equinox=Time(equinox, format="byear"))
    icrs = SkyCoord(ra_deg * u.deg, dec_deg * u.deg, frame=frame).icrs
    return icrs.ra.deg, icrs.dec.deg
