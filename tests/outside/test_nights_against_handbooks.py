"""Moments and nights beside Meeus, Astronomical Algorithms (2nd edition), and the FITS Standard 4.0."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, available_timezones

import pytest
from astropy.time import Time

from manifests.frames.cards import CardValue
from manifests.frames.keywords import KEYWORDS
from manifests.frames.moments import beginning_of
from manifests.frames.nights import night_of
from manifests.frames.sky.explanations import BROKEN_HOURS


def _begun(keyword: str, value: str | float) -> datetime:
    return beginning_of({keyword: CardValue(value)}, KEYWORDS, "UTC", None).utc


def test_the_launch_of_sputnik_1_meeus_example_7a():
    """1957 October 4.81 is JD 2436116.31."""
    moment = _begun("JD", 2436116.31)
    assert abs(moment - (datetime(1957, 10, 4, tzinfo=UTC) + timedelta(days=0.81))) < timedelta(
        milliseconds=1
    )
    assert night_of(moment, 0.0) == date(1957, 10, 4)


@pytest.mark.parametrize(
    ("day", "julian_day"),
    [
        ((2000, 1, 1.5), 2451545.0),
        ((1999, 1, 1.0), 2451179.5),
        ((1987, 1, 27.0), 2446822.5),
        ((1987, 6, 19.5), 2446966.0),
        ((1988, 1, 27.0), 2447187.5),
        ((1988, 6, 19.5), 2447332.0),
        ((1900, 1, 1.0), 2415020.5),
        ((1600, 1, 1.0), 2305447.5),
        ((1600, 12, 31.0), 2305812.5),
    ],
)
def test_the_table_of_julian_days_of_meeus_chapter_7(day, julian_day):
    year, month, days = day
    moment = datetime(year, month, int(days), tzinfo=UTC) + timedelta(days=days % 1)
    assert _begun("JD", julian_day) == moment
    # The Modified Julian Date (chapter 7): JD less 2400000.5.
    assert _begun("MJD-OBS", julian_day - 2400000.5) == moment


def test_the_example_of_the_fits_standard_for_dates_before_2000():
    """Section 4.4.2.1: 'DD/MM/YY' in the years 1900 to 1999."""
    assert _begun("DATE-OBS", "31/12/99") == datetime(1999, 12, 31, tzinfo=UTC)
    assert _begun("DATE-OBS", "1999-12-31T23:59:59.99") == datetime(1999, 12, 31, 23, 59, 59, 990000, UTC)


@pytest.mark.parametrize("written", ["2026-03-14", "2026-03-14T21:05:33", "2026-03-14T21:05:33.25"])
def test_a_date_in_a_form_of_the_standard_is_what_astropy_reads(written):
    """FITS 4.0, section 9.1.1: CCYY-MM-DD[Thh:mm:ss[.s…]]."""
    read = Time(written, format="fits", scale="utc").to_datetime(timezone=UTC)
    assert abs(_begun("DATE-OBS", written) - read) < timedelta(microseconds=2)


def test_a_midnight_beside_a_time_of_day_is_the_date_with_the_time_that_astropy_reads():
    """DATE-OBS and TIME-OBS apart is older practice than the standard's single card."""
    cards = {"DATE-OBS": CardValue("2026-03-14T00:00:00"), "TIME-OBS": CardValue("21:05:33.25")}
    read = Time("2026-03-14T21:05:33.25", format="fits", scale="utc").to_datetime(timezone=UTC)
    assert abs(beginning_of(cards, KEYWORDS, "UTC", None).utc - read) < timedelta(microseconds=2)


def test_the_broken_hours_of_local_times_are_those_of_the_time_zone_database():
    """Every zone of the IANA database in 2026, as the system or the package tzdata has it."""
    firsts = [datetime(2026, month, 1, tzinfo=UTC) for month in range(1, 13)]
    zones = [ZoneInfo(name) for name in available_timezones()]
    hours = {first.astimezone(zone).utcoffset() / timedelta(hours=1) for zone in zones for first in firsts}
    assert {each for each in hours if each % 1} == set(BROKEN_HOURS)


def test_a_night_is_a_julian_day_of_the_site():
    """Julian days begin at noon so that a night is one number; a site's is 1 day / 360° ahead to the east."""
    for longitude_deg in (-157.5, -77.0656, 0.0, 20.81, 149.0617, 179.9):
        for hours in range(0, 24 * 30, 7):
            moment = datetime(2024, 2, 20, 0, 30, tzinfo=UTC) + timedelta(hours=hours)
            julian_day = math.floor(Time(moment).jd + longitude_deg / 360)
            assert Time(night_of(moment, longitude_deg).isoformat()).jd + 0.5 == julian_day


def test_venus_by_day_belongs_to_the_evening_that_follows_meeus_example_13b():
    """1987 April 10, 19h21m UT at 77°03′56″ west: 14h12m44s of local mean time."""
    longitude_deg = -(77 + 3 / 60 + 56 / 3600)
    assert night_of(datetime(1987, 4, 10, 19, 21, tzinfo=UTC), longitude_deg) == date(1987, 4, 10)
    assert night_of(datetime(1987, 4, 10, 17, 8, 15, tzinfo=UTC), longitude_deg) == date(1987, 4, 9)
    assert night_of(datetime(1987, 4, 10, 17, 8, 16, tzinfo=UTC), longitude_deg) == date(1987, 4, 10)
