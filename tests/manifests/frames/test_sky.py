"""The sky of whole columns: shapes, gaps, odd values, and no trace left behind."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from manifests.frames.frame import Frame
from manifests.frames.sky import Sky, sky_of, sky_of_frames
from manifests.frames.sky.airmass import LOWEST_SEEN_DEG

LATITUDE, LONGITUDE = 51.2, -1.9
EVENING = datetime(2026, 3, 14, 21, 30, tzinfo=UTC)
FACTS = [field.name for field in fields(Sky)]
# What each fact rests on, besides the time; a target's place does not even need that.
PLACE = {"ra_deg", "dec_deg"}
NEEDS_SITE = {"sun_altitude_deg", "moon_altitude_deg"}
NEEDS_NOTHING = {"moon_illumination"}


def known(sky: Sky) -> dict[str, list[bool]]:
    return {name: np.isfinite(getattr(sky, name)).tolist() for name in FACTS}


def test_a_column_gives_the_same_as_its_rows_one_by_one():
    times = [EVENING + timedelta(minutes=20 * row) for row in range(12)]
    ra, dec = np.linspace(0.0, 330.0, 12), np.linspace(-30.0, 80.0, 12)
    column = sky_of(times, ra, dec, LATITUDE, LONGITUDE)
    for row, time in enumerate(times):
        one = sky_of(time, float(ra[row]), float(dec[row]), LATITUDE, LONGITUDE)
        for name in FACTS:
            assert getattr(one, name).shape == ()
            np.testing.assert_array_equal(getattr(one, name), getattr(column, name)[row])


def test_an_mjd_is_the_same_moment_as_its_datetime_in_any_zone():
    zone = timezone(timedelta(hours=5, minutes=30))
    mjd = 61113.895833333333  # 2026-03-14 21:30 UTC
    skies = [
        sky_of(time, 80.0, 30.0, LATITUDE, LONGITUDE) for time in (EVENING, EVENING.astimezone(zone), mjd)
    ]
    assert skies[0].altitude_deg == skies[1].altitude_deg
    assert skies[0].altitude_deg == pytest.approx(float(skies[2].altitude_deg), abs=1e-6)


def test_a_time_without_a_zone_is_refused():
    with pytest.raises(TypeError, match="offset-naive"):
        sky_of([datetime(2026, 3, 14, 21, 30)], 80.0, 30.0, LATITUDE, LONGITUDE)  # noqa: DTZ001 - the point


def test_columns_of_different_lengths_are_refused():
    with pytest.raises(ValueError, match="broadcast"):
        sky_of([EVENING] * 3, [1.0, 2.0], [1.0, 2.0], LATITUDE, LONGITUDE)


def test_no_frames_give_empty_columns():
    for sky in (sky_of([], [], [], LATITUDE, LONGITUDE), sky_of_frames([], LATITUDE, LONGITUDE)):
        assert {getattr(sky, name).shape for name in FACTS} == {(0,)}


def test_each_frame_may_have_a_site_of_its_own():
    sky = sky_of(EVENING, 80.0, 30.0, [51.2, -33.0], [-1.9, 149.0], [100.0, None])
    for row, site in enumerate([(51.2, -1.9, 100.0), (-33.0, 149.0, 0.0)]):
        alone = sky_of(EVENING, 80.0, 30.0, *site)
        assert sky.altitude_deg[row] == alone.altitude_deg
        assert sky.moon_altitude_deg[row] == alone.moon_altitude_deg


def test_a_gap_blanks_only_what_rests_on_it():
    times = [EVENING, None, EVENING, EVENING, EVENING]
    ra = [80.0, 80.0, None, 80.0, 80.0]
    dec = [30.0, 30.0, 30.0, float("nan"), 30.0]
    latitude = [LATITUDE] * 4 + [None]
    found = known(sky_of(times, ra, dec, latitude, LONGITUDE))
    for name in PLACE:
        assert found.pop(name) == [True, True, False, False, True], name
    for name in found:
        needs_nothing, needs_site = name in NEEDS_NOTHING, name in NEEDS_SITE
        target = needs_nothing or needs_site
        assert found[name] == [True, False, target, target, needs_nothing], name


@pytest.mark.parametrize(
    ("ra", "dec", "latitude", "longitude"),
    [(1e9, 30.0, 51.2, -1.9), (80.0, 90.1, 51.2, -1.9), (80.0, 30.0, 91.0, -1.9), (80.0, 30.0, 51.2, 1e300)],
)
def test_a_value_that_cannot_be_is_a_missing_fact(ra, dec, latitude, longitude):
    assert np.isnan(sky_of(EVENING, ra, dec, latitude, longitude).altitude_deg)


def test_from_higher_up_the_moon_stands_lower_by_its_parallax():
    low, high = (sky_of(EVENING, 80.0, 30.0, LATITUDE, LONGITUDE, metres) for metres in (0.0, 8000.0))
    parallax = np.degrees(8.0 / 384400.0) * np.cos(np.radians(low.moon_altitude_deg))
    assert low.moon_altitude_deg - high.moon_altitude_deg == pytest.approx(parallax, rel=0.1)
    assert low.altitude_deg == pytest.approx(float(high.altitude_deg), abs=1e-5)


def test_an_elevation_that_cannot_be_is_sea_level():
    odd, sea = (sky_of(EVENING, 80.0, 30.0, LATITUDE, LONGITUDE, metres) for metres in (1e300, 0.0))
    assert odd.moon_altitude_deg == sea.moon_altitude_deg


@pytest.mark.parametrize("year", [1, 1850, 1950, 1965, 2025, 2060, 2150, 9999])
def test_a_year_far_from_ours_gives_a_sky_without_a_warning(year):
    sky = sky_of(datetime(year, 6, 1, tzinfo=UTC), 80.0, 30.0, LATITUDE, LONGITUDE)
    assert all(np.isfinite(getattr(sky, name)) for name in FACTS if name != "airmass")


def test_a_frame_is_looked_at_in_the_middle_of_its_exposure():
    frame = Frame(begun_utc=EVENING, exposure_s=600.0, ra_deg=80.0, dec_deg=30.0)
    middle = sky_of(EVENING + timedelta(seconds=300), 80.0, 30.0, LATITUDE, LONGITUDE)
    assert sky_of_frames([frame], LATITUDE, LONGITUDE).altitude_deg[0] == pytest.approx(
        float(middle.altitude_deg), abs=1e-6
    )


@pytest.mark.parametrize("exposure_s", [None, 0.0, -5.0, 1e30, float("nan")])
def test_a_frame_without_a_believable_exposure_is_looked_at_when_it_began(exposure_s):
    frame = Frame(begun_utc=EVENING, exposure_s=exposure_s, ra_deg=80.0, dec_deg=30.0)
    begun = sky_of(EVENING, 80.0, 30.0, LATITUDE, LONGITUDE)
    assert sky_of_frames([frame], LATITUDE, LONGITUDE).altitude_deg[0] == begun.altitude_deg


def test_a_target_s_place_is_given_in_icrs():
    sky = sky_of(None, [192.25, -10.0, 10.0], [27.4, 5.0, 5.0], None, None, None, [1950.0, None, None])
    assert sky.ra_deg == pytest.approx([192.85948, 350.0, 10.0], abs=1e-4)
    assert sky.dec_deg == pytest.approx([27.12825, 5.0, 5.0], abs=1e-4)


def test_a_frame_s_equinox_is_heeded():
    frame = Frame(begun_utc=EVENING, ra_deg=80.0, dec_deg=30.0)
    frames = [frame, replace(frame, equinox=2000.0), replace(frame, equinox=1950.0)]
    altitudes = sky_of_frames(frames, LATITUDE, LONGITUDE).altitude_deg
    assert altitudes[0] == altitudes[1]
    assert 0.1 < abs(altitudes[2] - altitudes[0]) < 0.7


@pytest.mark.parametrize("equinox", [None, float("nan"), 0.0, -1.0, 1e9, 2000.0])
def test_an_equinox_that_cannot_be_is_icrs(equinox):
    odd = sky_of(EVENING, 80.0, 30.0, LATITUDE, LONGITUDE, 0.0, equinox)
    assert odd.altitude_deg == sky_of(EVENING, 80.0, 30.0, LATITUDE, LONGITUDE).altitude_deg


ANY = st.floats(allow_nan=True, allow_infinity=True)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 5).flatmap(
        lambda rows: st.tuples(*[arrays.arrays(np.float64, rows, elements=ANY) for _ in range(7)])
    )
)
def test_whatever_the_headers_say_facts_are_in_their_range_or_missing(columns):
    sky = sky_of(*columns)
    ranges = {"ra_deg": (0, 360), "azimuth_deg": (0, 360), "airmass": (0.99, 38), "moon_illumination": (0, 1)}
    ranges |= {"moon_separation_deg": (0, 180)}
    for name in FACTS:
        values = getattr(sky, name)
        least, most = ranges.get(name, (-90, 90))
        assert values.shape == columns[0].shape
        assert (np.isnan(values) | ((values >= least) & (values <= most))).all(), name


@settings(max_examples=40, deadline=None)
@given(
    st.floats(36934.0, 73459.0),  # 1960 to 2060
    st.floats(0.0, 360.0),
    st.floats(-90.0, 90.0),
    st.floats(-90.0, 90.0),
    st.floats(-180.0, 180.0),
)
def test_every_place_and_moment_has_a_whole_sky(time, ra, dec, latitude, longitude):
    sky = sky_of(time, ra, dec, latitude, longitude)
    assert np.isfinite([getattr(sky, name) for name in FACTS if name != "airmass"]).all()
    assert np.isfinite(sky.airmass) == (sky.altitude_deg >= LOWEST_SEEN_DEG)
    assert 0.0 <= sky.moon_illumination <= 1.0


OFFLINE = """
import sys, warnings

def refuse(event, arguments):
    if event in {"socket.connect", "socket.getaddrinfo", "urllib.Request"}:
        raise SystemExit(f"asked the network: {event} {arguments}")

sys.addaudithook(refuse)
warnings.simplefilter("error")
from datetime import date
from manifests.frames import sky

assert "numpy" not in sys.modules and "astropy" not in sys.modules, "loaded before it is needed"

def use_all():
    sky.sky_of([33282.0, 70000.0, 88000.0], 10.0, 20.0, 50.0, 0.0, 0.0, [1950.0, 2050.0, None])
    sky.night_dark_hours(date(2150, 1, 1), 50.0, 0.0)

use_all()
filters = list(warnings.filters)
use_all()
assert warnings.filters == filters, "the caller's warnings were changed"

from astropy.utils import iers
assert iers.conf.auto_download is True
assert iers.earth_orientation_table._value is None and iers.IERS_Auto.iers_table is None
"""


def test_the_sky_is_computed_without_a_network_and_leaves_astropy_as_it_was():
    done = subprocess.run([sys.executable, "-c", OFFLINE], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
