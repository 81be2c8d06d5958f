"""The sky beside PyEphem, whose ephemerides come in its wheel, and beside astropy's own frames."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import ephem
import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers
from astropy.wcs import WCS
from astropy.wcs.utils import wcs_to_celestial_frame

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.headers import frame_from_headers
from manifests.frames.sky import night_dark_hours, sky_findings, sky_of, sky_of_frames
from manifests.frames.sky.equinoxes import icrs_of
from manifests.frames.sky.impossible import BELOW_DEG
from manifests.frames.sky.twilight import SUNSET_DEG

LIGHT_BY_DAY, BELOW_HORIZON = FindingKind.LIGHT_BY_DAY, FindingKind.BELOW_HORIZON

SITES = [(51.2, -1.9, 120.0), (-33.5, 149.1, 900.0), (64.8, -147.7, 200.0), (0.3, 36.9, 1800.0)]
COUNT = 60


def moments(seed: int) -> list[datetime]:
    random = np.random.default_rng(seed)
    first = datetime(1990, 1, 1, tzinfo=UTC)
    return [first + timedelta(seconds=int(seconds)) for seconds in random.integers(0, 36 * 31557600, COUNT)]


def targets(seed: int):
    random = np.random.default_rng(seed + 100)
    return random.uniform(0, 360, COUNT), np.degrees(np.arcsin(random.uniform(-1, 1, COUNT)))


def observer(time: datetime, site: tuple[float, float, float]) -> ephem.Observer:
    here = ephem.Observer()
    here.lat, here.lon, here.elevation = str(site[0]), str(site[1]), site[2]
    here.pressure = 0
    here.date = ephem.Date(time.replace(tzinfo=None))
    return here


def star(ra_deg: float, dec_deg: float, epoch: float) -> ephem.FixedBody:
    body = ephem.FixedBody()
    body._ra, body._dec, body._epoch = np.radians(ra_deg), np.radians(dec_deg), epoch
    return body


def degrees(values) -> np.ndarray:
    return np.degrees(np.array([float(value) for value in values]))


@pytest.mark.parametrize("site", SITES)
def test_targets_sun_and_moon_stand_where_pyephem_puts_them(site):
    times, (ra, dec) = moments(1), targets(1)
    sky = sky_of(times, ra, dec, *site)
    stars, suns, moons = [], [], []
    for row, time in enumerate(times):
        here = observer(time, site)
        bodies = star(ra[row], dec[row], ephem.J2000), ephem.Sun(), ephem.Moon()
        for body, kept in zip(bodies, (stars, suns, moons), strict=True):
            body.compute(here)
            kept.append(body)
    np.testing.assert_allclose(sky.altitude_deg, degrees(body.alt for body in stars), atol=0.01)
    off_azimuth = (sky.azimuth_deg - degrees(body.az for body in stars) + 180.0) % 360.0 - 180.0
    assert np.abs(off_azimuth * np.cos(np.radians(sky.altitude_deg))).max() < 0.01
    np.testing.assert_allclose(sky.sun_altitude_deg, degrees(body.alt for body in suns), atol=0.01)
    np.testing.assert_allclose(sky.moon_altitude_deg, degrees(body.alt for body in moons), atol=0.01)
    np.testing.assert_allclose(sky.moon_illumination, [body.phase / 100 for body in moons], atol=0.001)
    apart = [ephem.separation((m.ra, m.dec), (s.ra, s.dec)) for m, s in zip(moons, stars, strict=True)]
    np.testing.assert_allclose(sky.moon_separation_deg, degrees(apart), atol=0.01)


def test_coordinates_of_b1950_stand_where_pyephem_puts_them():
    times, (ra, dec) = moments(2), targets(2)
    sky = sky_of(times, ra, dec, *SITES[0], equinox=1950.0)
    stars = [star(*place, ephem.B1950) for place in zip(ra, dec, strict=True)]
    for body, time in zip(stars, times, strict=True):
        body.compute(observer(time, SITES[0]))
    np.testing.assert_allclose(sky.altitude_deg, degrees(body.alt for body in stars), atol=0.01)


@pytest.mark.parametrize("seed", range(3, 11))
def test_only_targets_and_suns_where_pyephem_puts_them_so_are_findings(seed):
    """Within 0.1° of a limit PyEphem is not asked; elsewhere the two never differ."""
    times, (ra, dec), site = moments(seed), targets(seed), SITES[seed % len(SITES)]
    frames = [
        Frame(begun_utc=time, ra_deg=float(ra[row]), dec_deg=float(dec[row]))
        for row, time in enumerate(times)
    ]
    findings = sky_findings(frames, sky_of_frames(frames, *site[:2]), *site[:2])
    for row, (time, finding) in enumerate(zip(times, findings, strict=True)):
        here, target, sun = observer(time, site), star(ra[row], dec[row], ephem.J2000), ephem.Sun()
        target.compute(here)
        sun.compute(here)
        altitude, sun_altitude = degrees([target.alt, sun.alt])
        if abs(altitude - BELOW_DEG) < 0.1 or abs(sun_altitude - SUNSET_DEG) < 0.1:
            continue
        expected = LIGHT_BY_DAY if sun_altitude > SUNSET_DEG else None
        expected = BELOW_HORIZON if altitude < BELOW_DEG else expected
        assert (finding and finding.kind) == expected


@pytest.mark.parametrize(
    ("system", "equinox"),
    [("FK4", None), ("FK4", 1950.0), ("FK5", None), ("FK5", 1990.0), ("ICRS", 1950.0), ("ICRS", None)],
)
def test_a_coordinate_system_without_an_equinox_is_what_astropy_takes_it_for(system, equinox):
    """FITS Standard 4.0, section 8.3, as astropy.wcs reads RADESYS and EQUINOX."""
    header = fits.Header({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 161.3, "CRVAL2": -59.7})
    header["RADESYS"] = system
    if equinox is not None:
        header["EQUINOX"] = equinox
    frame = frame_from_headers([header.tostring().encode()])
    there = SkyCoord(161.3 * u.deg, -59.7 * u.deg, frame=wcs_to_celestial_frame(WCS(header))).icrs
    nowhere = np.array([np.nan if frame.equinox is None else frame.equinox])
    ra, dec = icrs_of(np.array([161.3]), np.array([-59.7]), nowhere)
    here = SkyCoord(ra * u.deg, dec * u.deg)
    assert there.separation(here).arcsec[0] < 0.5


@pytest.mark.parametrize("limit", [-6.0, -12.0, -18.0])
@pytest.mark.parametrize("site", SITES)
def test_dusk_and_dawn_are_pyephem_s(site, limit):
    for night in (date(2026, 1, 14), date(2026, 3, 14), date(2031, 10, 2)):
        dark = night_dark_hours(night, site[0], site[1], limit_deg=limit)
        noon = datetime(night.year, night.month, night.day, 12, tzinfo=UTC) - timedelta(hours=site[1] / 15)
        here = observer(noon, (*site[:2], 0.0))
        here.horizon = str(limit)
        dusk = here.next_setting(ephem.Sun(), use_center=True).datetime().replace(tzinfo=UTC)
        dawn = here.next_rising(ephem.Sun(), use_center=True).datetime().replace(tzinfo=UTC)
        assert dark is not None
        assert abs(dark.dusk_utc - dusk) < timedelta(seconds=5)
        assert abs(dark.dawn_utc - dawn) < timedelta(seconds=5)


def test_the_night_that_is_never_dark_is_pyephem_s_too():
    here = observer(datetime(2026, 6, 20, 12, tzinfo=UTC), SITES[0])
    here.horizon = "-18"
    with pytest.raises(ephem.AlwaysUpError):
        here.next_setting(ephem.Sun(), use_center=True)
    assert night_dark_hours(date(2026, 6, 20), *SITES[0][:2]) is None


# How far apart two altitudes may be (degrees): the same rotation of the Earth, and the measured one,
# from the table that comes with astropy. What the sky leaves out of the latter is below 0.9 s, 0.004°.
@pytest.mark.parametrize(("is_measured", "apart"), [(False, 0.0004), (True, 0.0042)])
def test_astropy_s_own_frames_agree(is_measured, apart):
    times, (ra, dec) = moments(3), targets(3)
    sky = sky_of(times, ra, dec, *SITES[1])
    place = EarthLocation.from_geodetic(SITES[1][1] * u.deg, SITES[1][0] * u.deg, SITES[1][2] * u.m)
    with iers.earth_orientation_table.set(iers.IERS_A.read(iers.IERS_A_FILE)):
        moment = Time(times, scale="utc")
        if not is_measured:
            moment.delta_ut1_utc = 0.0
        frame = AltAz(obstime=moment, location=place)
        target = SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame)
        sun, moon = (
            get_body(name, moment, place, ephemeris="builtin").transform_to(frame) for name in ("sun", "moon")
        )
        np.testing.assert_allclose(sky.altitude_deg, target.alt.deg, atol=apart)
        np.testing.assert_allclose(sky.sun_altitude_deg, sun.alt.deg, atol=apart)
        np.testing.assert_allclose(sky.moon_altitude_deg, moon.alt.deg, atol=apart)
        np.testing.assert_allclose(sky.moon_separation_deg, moon.separation(target).deg, atol=0.0005)
