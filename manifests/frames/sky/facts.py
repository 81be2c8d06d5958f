"""The sky's facts of whole columns of frames at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from manifests.frames.frame import Frame
from manifests.frames.sky.airmass import airmass_at
from manifests.frames.sky.altitude import horizontal, sun_direction, target_direction
from manifests.frames.sky.columns import modified_julian_dates, numbers
from manifests.frames.sky.earth import earth_at
from manifests.frames.sky.equinoxes import icrs_of
from manifests.frames.sky.moon import illuminated_fraction, moon_direction, moon_from_earth_au, separation_deg

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Floats, Numbers, Times

SECONDS_PER_DAY = 86400.0
MJD_OF_J2000 = 51544.5


@dataclass(frozen=True, slots=True, eq=False)
class Sky:
    """What the sky was like at each moment; NaN where a fact that it follows from is missing.

    `ra_deg` and `dec_deg` are the target's in ICRS, whatever equinox they came with. Altitudes are
    without refraction. `azimuth_deg` counts from north through east. Sun and moon altitudes are their
    centres', `moon_separation_deg` is the moon's distance from the target; all are seen from the
    site. `moon_illumination` (0 to 1) is the same from everywhere.
    """

    ra_deg: Floats
    dec_deg: Floats
    altitude_deg: Floats
    azimuth_deg: Floats
    airmass: Floats
    sun_altitude_deg: Floats
    moon_altitude_deg: Floats
    moon_illumination: Floats
    moon_separation_deg: Floats


def sky_of(
    times: Times,
    ra_deg: Numbers,
    dec_deg: Numbers,
    latitude_deg: Numbers,
    longitude_deg: Numbers,
    elevation_m: Numbers = 0.0,
    equinox: Numbers = None,
) -> Sky:
    """Return the sky at each time (mid-exposure, UTC: aware datetimes or MJD) for a target and a site.

    Every argument is one value or a column; they are broadcast, and the Sky's arrays have that shape.
    Coordinates are ICRS degrees, or of the `equinox` given (see `equinoxes`); latitude is geodetic,
    north positive, longitude east positive. None, NaN and values that cannot be (a declination of
    100°) are missing facts; a missing elevation is sea level, a missing equinox ICRS. Right to 0.01°
    from 1960 to 2035, the limit being UT1 (see `earth`). Raises TypeError for a time without a zone,
    ValueError for columns of different lengths.
    """
    import numpy as np

    table = np.broadcast_arrays(
        modified_julian_dates(times),
        numbers(ra_deg, -360.0, 360.0),
        numbers(dec_deg, -90.0, 90.0),
        numbers(latitude_deg, -90.0, 90.0),
        numbers(longitude_deg, -360.0, 360.0),
        numbers(elevation_m, -500.0, 9000.0),
        numbers(equinox, 1800.0, 2200.0),
    )
    return _reshaped(_sky_of_rows(*(column.ravel() for column in table)), table[0].shape)


def sky_of_frames(
    frames: Sequence[Frame], latitude_deg: Numbers, longitude_deg: Numbers, elevation_m: Numbers = 0.0
) -> Sky:
    """Return the sky of each frame at the middle of its exposure, seen from the site given.

    A frame without an exposure time is looked at when it began. The site in a header is not used here:
    the caller chooses between that and the configured one (`frames.sites`).
    """
    return sky_of(
        mid_exposures(frames),
        [frame.ra_deg for frame in frames],
        [frame.dec_deg for frame in frames],
        latitude_deg,
        longitude_deg,
        elevation_m,
        [frame.equinox for frame in frames],
    )


def mid_exposures(frames: Sequence[Frame]) -> Floats:
    """Return the middle of each exposure as MJD (UTC), NaN for a frame without a time."""
    begun = modified_julian_dates([frame.begun_utc for frame in frames])
    middle: Floats = begun + exposures_s(frames) / 2.0 / SECONDS_PER_DAY
    return middle


def exposures_s(frames: Sequence[Frame]) -> Floats:
    """Return each exposure time in seconds, 0 where there is none to believe (missing, or over a day)."""
    import numpy as np

    return np.nan_to_num(numbers([frame.exposure_s for frame in frames], 0.0, SECONDS_PER_DAY))


def _sky_of_rows(
    mjd: Floats,
    ra_deg: Floats,
    dec_deg: Floats,
    latitude_deg: Floats,
    longitude_deg: Floats,
    elevation_m: Floats,
    equinox: Floats,
) -> Sky:
    """Compute every row, its gaps filled with anything, then blank what rests on a gap."""
    import numpy as np

    timed = np.isfinite(mjd)
    sited = timed & np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    placed = np.isfinite(ra_deg) & np.isfinite(dec_deg)
    aimed = sited & placed
    site = (np.nan_to_num(column) for column in (latitude_deg, longitude_deg, elevation_m))
    earth = earth_at(np.where(timed, mjd, MJD_OF_J2000), *site)
    icrs = icrs_of(np.nan_to_num(ra_deg), np.nan_to_num(dec_deg), equinox)
    target = target_direction(earth, *icrs)
    moon_au = moon_from_earth_au(earth)
    moon = moon_direction(earth, moon_au)
    altitude, azimuth = (np.where(aimed, angle, np.nan) for angle in horizontal(earth, target))
    return Sky(
        ra_deg=np.where(placed, icrs[0] % 360.0, np.nan),
        dec_deg=np.where(placed, icrs[1], np.nan),
        altitude_deg=altitude,
        azimuth_deg=azimuth,
        airmass=airmass_at(altitude),
        sun_altitude_deg=np.where(sited, horizontal(earth, sun_direction(earth))[0], np.nan),
        moon_altitude_deg=np.where(sited, horizontal(earth, moon)[0], np.nan),
        moon_illumination=np.where(timed, illuminated_fraction(earth, moon_au), np.nan),
        moon_separation_deg=np.where(aimed, separation_deg(target, moon), np.nan),
    )


def _reshaped(sky: Sky, shape: tuple[int, ...]) -> Sky:
    return Sky(**{field.name: getattr(sky, field.name).reshape(shape) for field in fields(sky)})
