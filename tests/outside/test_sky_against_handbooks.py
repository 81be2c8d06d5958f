"""The sky beside handbooks' worked examples, published formulas, and what other people's headers say."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import astropy
import erfa
import numpy as np
import pytest

from manifests.frames.frame import Frame
from manifests.frames.sky import airmass_at, disagreements, sky_of, sky_of_frames
from manifests.frames.sky.altitude import horizontal
from manifests.frames.sky.columns import modified_julian_dates
from manifests.frames.sky.earth import JD_OF_MJD_ZERO, earth_at
from manifests.frames.sky.equinoxes import icrs_of
from manifests.frames.sky.moon import moon_from_earth_au, separation_deg

KM_PER_AU = 149597870.7


def sexagesimal(whole: int, minutes: int, seconds: float) -> float:
    return whole + minutes / 60 + seconds / 3600


def earth(mjd: float, latitude: float = 0.0, longitude: float = 0.0):
    return earth_at(*(np.array([value]) for value in (mjd, latitude, longitude, 0.0)))


# Jean Meeus, Astronomical Algorithms, second edition (1998)


def test_the_julian_day_of_meeus_7a():
    launch = datetime(1957, 10, 4, tzinfo=UTC) + timedelta(days=0.81)
    assert float(modified_julian_dates(launch)) + JD_OF_MJD_ZERO == pytest.approx(2436116.31, abs=1e-9)


def test_arcturus_stands_from_spica_as_in_meeus_17a():
    arcturus, spica = np.radians([213.9154, 19.1825]), np.radians([201.2983, -11.1614])
    assert separation_deg(tuple(arcturus), tuple(spica)) == pytest.approx(32.7930, abs=5e-5)


def test_venus_stands_as_high_as_in_meeus_13b():
    # The example's coordinates are apparent ones, from the equinox; the engine counts from its own origin.
    here = earth(46895.80625, sexagesimal(38, 55, 17), -sexagesimal(77, 3, 56))
    ra, dec = 15 * sexagesimal(23, 9, 16.641), -sexagesimal(6, 43, 11.61)
    direction = (np.radians([ra]) + erfa.eo06a(*here.tt_jd), np.radians([dec]))
    altitude, azimuth = horizontal(here, direction)
    assert altitude[0] == pytest.approx(15.1249, abs=0.001)
    assert azimuth[0] - 180.0 == pytest.approx(68.0337, abs=0.001)  # Meeus counts from the south


MOON_EXAMPLE_MJD = 48724.0 - 58.184 / 86400  # 1992-04-12 0h TD; TT − UTC was 58.184 s


def test_the_moon_is_as_lit_as_in_meeus_48a():
    lit = sky_of(MOON_EXAMPLE_MJD, None, None, None, None).moon_illumination
    assert float(lit) == pytest.approx(0.6786, abs=1e-4)


def test_the_moon_is_where_it_is_in_meeus_47a():
    # The example's numbers (declination, distance) are quoted from memory.
    here = earth(MOON_EXAMPLE_MJD)
    moon = moon_from_earth_au(here)
    _, dec = erfa.c2s(erfa.rxp(here.observer["bpn"], moon))
    assert np.degrees(dec[0]) == pytest.approx(13.768368, abs=0.001)
    assert np.linalg.norm(moon) * KM_PER_AU == pytest.approx(368409.7, abs=1.0)


def test_theta_persei_is_precessed_as_in_meeus_21b():
    # Proper motion is already in; the numbers are quoted from memory.
    ra, dec = icrs_of(np.array([41.547214]), np.array([49.348483]), np.array([2028.8670]))
    assert ra[0] == pytest.approx(41.054063, abs=1e-4)
    assert dec[0] == pytest.approx(49.227750, abs=1e-4)


def test_the_galactic_pole_of_b1950_is_where_hipparcos_puts_it():
    # Defined at B1950 by the IAU (1958); ICRS values of ESA SP-1200 volume 1, section 1.5.3, from memory.
    ra, dec = icrs_of(np.array([192.25]), np.array([27.4]), np.array([1950.0]))
    assert (ra[0], dec[0]) == pytest.approx((192.85948, 27.12825), abs=1e-4)


# Airmass


@pytest.mark.parametrize(
    ("zenith_distance", "airmass"), [(0.0, 0.99971), (60.0, 1.994), (75.0, 3.813), (85.0, 10.306)]
)
def test_airmass_is_that_of_kasten_and_young(zenith_distance, airmass):
    # Computed from the formula as printed in Applied Optics 28, 4735 (1989), apart from this project.
    assert airmass_at(90.0 - zenith_distance) == pytest.approx(airmass, abs=5e-4)


def test_airmass_at_the_horizon_is_that_of_kasten_and_young():
    assert airmass_at(0.0) == pytest.approx(37.920, abs=5e-4)


@pytest.mark.parametrize("zenith_distance", range(0, 80, 5))
def test_airmass_is_that_of_hardie_down_to_80(zenith_distance):
    # R. H. Hardie, in Astronomical Techniques (1962); it turns over beyond 85°.
    beyond = 1.0 / np.cos(np.radians(zenith_distance)) - 1.0
    hardie = 1.0 + beyond - 0.0018167 * beyond - 0.002875 * beyond**2 - 0.0008083 * beyond**3
    assert airmass_at(90.0 - zenith_distance) == pytest.approx(hardie, rel=0.002)


@pytest.mark.parametrize(("altitude", "relative"), [(90, 0.001), (30, 0.0015), (15, 0.005), (5, 0.026)])
def test_airmass_without_refraction_is_as_near_to_young_as_said(altitude, relative):
    # A. T. Young, Applied Optics 33, 1108 (1994): made for true altitudes; coefficients from memory.
    c = np.cos(np.radians(90.0 - altitude))
    young = (1.002432 * c**2 + 0.148386 * c + 0.0096467) / (
        c**3 + 0.149864 * c**2 + 0.0102963 * c + 0.000303978
    )
    assert airmass_at(altitude) == pytest.approx(young, rel=relative)


@pytest.mark.parametrize(("altitude", "relative"), [(-0.01, 0.2), (-0.3, 0.09), (-0.5, 0.02), (-0.57, 1e-3)])
def test_airmass_of_what_refraction_lifts_above_the_horizon_comes_to_that_of_young(altitude, relative):
    # Young (1994), as above; computed apart from this project: 31.838, 35.024, 37.479, 38.393.
    young = {-0.01: 31.838, -0.3: 35.024, -0.5: 37.479, -0.57: 38.393}[altitude]
    assert airmass_at(altitude) == pytest.approx(young, rel=relative)


# Headers in the test data of astropy


def header(*parts: str) -> dict[str, str]:
    """Read the cards that are there, plainly: the files are other people's, stale sums and all."""
    text = Path(astropy.__file__).parent.joinpath(*parts).read_bytes().decode("latin-1")
    cards = [text[start : start + 80] for start in range(0, 2880 * 20, 80)]
    return {
        card[:8].strip(): card[10:].split("/")[0].strip(" '")
        for card in reversed(cards)  # the first of two cards of one name counts
        if card[8:10] == "= "
    }


@pytest.fixture(scope="module")
def survey() -> dict[str, str]:
    return header("wcs", "tests", "data", "header_newlines.fits")


def survey_frame(survey: dict[str, str]) -> Frame:
    return Frame(
        begun_utc=datetime.fromisoformat(survey["DATE-OBS"]).replace(tzinfo=UTC),
        exposure_s=float(survey["AEXPTIME"]),
        ra_deg=float(survey["OBJRAD"]),
        dec_deg=float(survey["OBJDECD"]),
        altitude_deg=float(survey["ALTITUDE"]),
        airmass=float(survey["AIRMASS"]),
    )


def test_sun_and_moon_are_where_a_survey_s_header_says(survey):
    begun = survey_frame(survey).begun_utc
    # This header counts longitude west.
    site = float(survey["OBSLAT"]), -float(survey["OBSLON"]), float(survey["OBSALT"])
    sky = sky_of(begun, float(survey["MOONRA"]), float(survey["MOONDEC"]), *site)
    assert float(sky.sun_altitude_deg) == pytest.approx(float(survey["SUNALT"]), abs=0.005)
    assert float(sky.moon_altitude_deg) == pytest.approx(float(survey["MOONALT"]), abs=0.01)
    assert float(sky.moon_illumination) == pytest.approx(float(survey["MOONILLF"]), abs=0.0005)
    # Its MOONRA and MOONDEC are J2000 (header's own comment), within the moon's parallax of its place.
    assert float(sky.moon_separation_deg) < 1.0


def test_the_telescope_points_as_high_as_a_survey_s_header_says(survey):
    frame = survey_frame(survey)
    site = float(survey["OBSLAT"]), -float(survey["OBSLON"])
    sky = sky_of_frames([frame], *site)
    assert sky.altitude_deg[0] == pytest.approx(36.81047, abs=0.1)
    assert sky.airmass[0] == pytest.approx(1.666232, abs=0.005)
    assert airmass_at(36.81047) == pytest.approx(1.666232, abs=0.0005)
    assert disagreements([frame], sky, *site) == [None]


def test_a_survey_s_longitude_counted_west_is_found(survey):
    site = float(survey["OBSLAT"]), float(survey["OBSLON"])
    frames = [survey_frame(survey), replace(survey_frame(survey), altitude_deg=None)]
    for finding in disagreements(frames, sky_of_frames(frames, *site), *site):
        assert finding is not None
        assert "a longitude with the wrong sign" in finding.detail


def test_what_is_at_an_amateur_s_sidereal_time_stands_on_the_meridian():
    said = header("nddata", "tests", "data", "sip-wcs.fits")
    hours, minutes, seconds = (float(part) for part in said["LST"].split(":"))
    latitude, longitude = 46 + 52 / 60 + 0.408 / 3600, -(96 + 27 / 60 + 11.8008 / 3600)
    assert (said["SITELAT"], said["SITELONG"]) == ("+46:52:00.408", "-96:27:11.8008")
    sidereal = 15 * (hours + minutes / 60 + seconds / 3600)
    sky = sky_of(float(said["MJD-OBS"]), sidereal, 0.0, latitude, longitude, float(said["ALTITUDE"]), 2011.67)
    assert float(sky.azimuth_deg) == pytest.approx(180.0, abs=0.015)
    assert float(sky.altitude_deg) == pytest.approx(90.0 - latitude, abs=0.01)
