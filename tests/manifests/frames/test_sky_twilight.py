"""Twilight classes, and the dark hours of a night."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.frames.sky import Twilight, night_dark_hours, sky_of, twilight_at

MIDSUMMER, MIDWINTER = date(2026, 6, 20), date(2026, 12, 20)


@pytest.mark.parametrize(
    ("altitude", "kind"),
    [
        (0.0, Twilight.DAY),
        (-0.8, Twilight.DAY),
        (-0.9, Twilight.CIVIL),
        (-6.0, Twilight.CIVIL),
        (-6.01, Twilight.NAUTICAL),
        (-12.0, Twilight.NAUTICAL),
        (-12.01, Twilight.ASTRONOMICAL),
        (-18.0, Twilight.ASTRONOMICAL),
        (-18.01, Twilight.NIGHT),
    ],
)
def test_each_twilight_reaches_down_to_its_limit(altitude, kind):
    assert twilight_at(altitude).item() is kind


def test_an_unknown_sun_is_no_twilight_and_shapes_are_kept():
    assert twilight_at([float("nan"), 5.0]).tolist() == [None, Twilight.DAY]
    assert twilight_at(None).item() is None
    assert twilight_at([]).shape == (0,)
    assert twilight_at(np.full((2, 3), -20.0)).shape == (2, 3)


@settings(max_examples=15, deadline=None)
@given(st.dates(date(1980, 1, 1), date(2050, 1, 1)), st.floats(-66.0, 66.0), st.floats(-180.0, 180.0))
def test_the_sun_stands_at_its_limit_at_dusk_and_dawn(night, latitude, longitude):
    dark = night_dark_hours(night, latitude, longitude)
    local_noon = datetime(night.year, night.month, night.day, 12, tzinfo=UTC) - timedelta(
        hours=longitude / 15
    )
    if dark is None:
        midnight = sky_of(local_noon + timedelta(hours=12), 0.0, 0.0, latitude, longitude)
        assert midnight.sun_altitude_deg > -18.3
        return
    assert local_noon < dark.dusk_utc < dark.dawn_utc < local_noon + timedelta(days=1)
    sun = sky_of([dark.dusk_utc, dark.dawn_utc], 0.0, 0.0, latitude, longitude).sun_altitude_deg
    assert sun == pytest.approx(-18.0, abs=0.002)
    middle = sky_of(dark.dusk_utc + (dark.dawn_utc - dark.dusk_utc) / 2, 0.0, 0.0, latitude, longitude)
    assert middle.sun_altitude_deg < -18.0


def test_a_night_of_high_summer_is_never_dark():
    assert night_dark_hours(MIDSUMMER, 51.2, -1.9) is None
    assert night_dark_hours(MIDSUMMER, 70.0, 25.0) is None


def test_a_polar_winter_s_dark_lasts_from_noon_to_noon():
    dark = night_dark_hours(MIDWINTER, 89.0, 15.0)
    assert dark is not None
    assert abs(dark.dusk_utc - datetime(2026, 12, 20, 11, tzinfo=UTC)) < timedelta(seconds=1)
    assert dark.hours == pytest.approx(24.0)


def test_another_limit_may_be_asked_for():
    civil = night_dark_hours(MIDSUMMER, 51.2, -1.9, limit_deg=-6.0)
    assert civil is not None
    assert 5.0 < civil.hours < 7.0
    assert (civil.dusk_utc.date(), civil.dawn_utc.date()) == (MIDSUMMER, date(2026, 6, 21))


@pytest.mark.parametrize(("latitude", "longitude"), [(91.0, 0.0), (0.0, 400.0), (float("nan"), 0.0)])
def test_a_place_that_is_none_is_refused(latitude, longitude):
    with pytest.raises(ValueError, match="no such place"):
        night_dark_hours(MIDWINTER, latitude, longitude)
