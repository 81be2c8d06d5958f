"""What is read from logs, against the libraries that others trust for it.

Sources: Python's own `datetime.strptime` (POSIX's directives), the tables of the IANA time zone database by
`zoneinfo`, astropy's units.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from astropy import units
from astropy.units import imperial
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.moments import Moments, microseconds_of
from manifests.readings.units import conversion

WHENEVER = st.datetimes(datetime(1971, 1, 1), datetime(2067, 12, 31))  # noqa: DTZ001 - zones come in below
FORMATS = (
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%dT%H:%M:%S.%f",
    "%d/%m/%y %H:%M:%S",
    "%b %d %Y %I:%M:%S %p",
    "%Y %j %H:%M:%S",
    "%A %d %B %Y %H.%M.%S",
)


@pytest.mark.parametrize("time_format", FORMATS)
@given(moment=WHENEVER)
def test_formats_say_what_the_standard_library_says(time_format, moment):
    written = moment.strftime(time_format)
    expected = datetime.strptime(written, time_format).replace(tzinfo=UTC)
    assert Moments(time_format, "UTC", moment.date(), 0.0).of(written) == microseconds_of(expected)


@pytest.mark.parametrize("zone", ["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"])
@given(moment=WHENEVER)
def test_zones_say_what_the_time_zone_database_says(zone, moment):
    expected = moment.replace(tzinfo=ZoneInfo(zone), fold=0)  # no text says which of two it is
    written = moment.isoformat()
    assert Moments("", zone, moment.date(), 0.0).of(written) == microseconds_of(expected)


@pytest.mark.parametrize(
    ("zone", "around"),
    [
        ("Europe/London", datetime(2026, 10, 25, tzinfo=UTC)),  # an hour back
        ("Europe/London", datetime(2026, 3, 28, 23, tzinfo=UTC)),  # an hour forward
        ("Australia/Lord_Howe", datetime(2026, 4, 4, 13, tzinfo=UTC)),  # half an hour back
        ("America/New_York", datetime(2026, 11, 1, 4, tzinfo=UTC)),
    ],
)
def test_a_whole_log_across_a_change_of_the_clock_keeps_its_real_times(zone, around):
    moments = [around + timedelta(minutes=step) for step in range(-30, 240)]
    log = [moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None).isoformat() for moment in moments]
    read = Moments("", zone, around.date(), 0.0)
    assert [read.of(line) for line in log] == [microseconds_of(moment) for moment in moments]


@pytest.mark.parametrize(
    ("unit", "astropy_unit", "to", "astropy_to"),
    [
        ("deg_F", imperial.deg_F, "deg_C", units.deg_C),
        ("K", units.K, "deg_C", units.deg_C),
        ("deg_C", units.deg_C, "deg_F", imperial.deg_F),
        ("hPa", units.hPa, "Pa", units.Pa),
        ("km/h", units.km / units.h, "m/s", units.m / units.s),
    ],
)
@given(value=st.floats(-500, 2000))
def test_units_become_one_another_as_astropy_says(unit, astropy_unit, to, astropy_to, value):
    expected = (value * astropy_unit).to_value(astropy_to, equivalencies=units.temperature())
    assert conversion(unit, to).of(value) == pytest.approx(expected, abs=1e-9, rel=1e-12)
