"""Times as logs write them: zones, dates that are left out, an hour that comes twice."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from manifests.readings.moments import Moments, zone_named
from tests.support.reading_logs import LONGITUDE_DEG, NIGHT, moment


def moments(time_format: str = "", zone: str = "UTC", night: date = NIGHT) -> Moments:
    return Moments(time_format, zone, night, LONGITUDE_DEG)


def utc(written: object, **made: str) -> str | None:
    moment_us = moments(**made).of(written)
    return None if moment_us is None else moment(moment_us).replace(tzinfo=None).isoformat(" ")


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("2026-03-14T20:01:53Z", "2026-03-14 20:01:53"),
        ("2026-03-14 20:01", "2026-03-14 20:01:00"),
        (" 2026-03-14T20:01:53,25 ", "2026-03-14 20:01:53.250000"),
        ("2026-03-14T20:01:53.123456789+01:00", "2026-03-14 19:01:53.123456"),
        ("20260314T200153Z", "2026-03-14 20:01:53"),
        ("20:01:53", "2026-03-14 20:01:53"),
        ("02:01:53", "2026-03-15 02:01:53"),
        ("2026-03-14", None),
        ("1773518513", None),
        (1773518513, None),
        (True, None),
        (None, None),
        ("", None),
        ("9" * 500, None),
    ],
)
def test_iso_8601_is_read_without_a_format(written, expected):
    assert utc(written) == expected


@pytest.mark.parametrize(
    ("time_format", "written", "expected"),
    [
        ("%Y-%m-%d %H:%M:%S", "2026-03-14 20:01:53.5", "2026-03-14 20:01:53.500000"),
        ("%Y-%m-%d %H:%M:%S.%f", "2026-03-14 20:01:53.5", "2026-03-14 20:01:53.500000"),
        ("%d.%m.%y %H:%M", "14.03.26 20:01", "2026-03-14 20:01:00"),
        ("%d %b %H:%M:%S", "15 Mar 03:00:00", "2026-03-15 03:00:00"),
        ("%a %b %e %H:%M:%S %Y", "Sat Mar 14 20:01:53 2026", "2026-03-14 20:01:53"),
        ("%I:%M:%S %p", "2:01:53 AM", "2026-03-15 02:01:53"),
        ("%m/%d/%Y %I:%M %p", "3/14/2026 12:30 PM", "2026-03-14 12:30:00"),
        ("%Y %j %H:%M", "2026 073 20:01", "2026-03-14 20:01:00"),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-03-14T20:01:53+0130", "2026-03-14 18:31:53"),
        ("%s", 1773518513, "2026-03-14 20:01:53"),
        ("%s", "1773518513.25", "2026-03-14 20:01:53.250000"),
        ("%H:%M:%S", "23:59:60", "2026-03-15 00:00:00"),
        ("%H:%M:%S", "25:00:00", None),
        ("%d %b %H:%M", "29 Feb 20:00", "2028-02-29 20:00:00"),
        ("%d %b %H:%M", "30 Feb 20:00", None),
    ],
)
def test_formats_are_read_as_they_are_spelled(time_format, written, expected):
    night = date(2028, 2, 29) if "Feb" in str(written) else NIGHT
    moment_us = moments(time_format, night=night).of(written)
    found = None if moment_us is None else moment(moment_us).replace(tzinfo=None).isoformat(" ")
    assert found == expected


def test_a_date_without_a_year_is_of_the_year_nearest_to_its_night():
    new_year = moments("%d %b %H:%M", night=date(2025, 12, 31))
    assert moment(new_year.of("31 Dec 23:00")) == datetime(2025, 12, 31, 23, tzinfo=UTC)
    assert moment(new_year.of("01 Jan 02:00")) == datetime(2026, 1, 1, 2, tzinfo=UTC)


def test_an_hour_that_comes_twice_is_told_apart_by_the_order_of_the_lines():
    read = moments("%Y-%m-%d %H:%M", zone="Europe/London", night=date(2026, 10, 24))
    written = [
        "2026-10-25 00:50",
        "2026-10-25 01:30",
        "2026-10-25 01:59",
        "2026-10-25 01:05",
        "2026-10-25 02:00",
    ]
    clocks = [f"{moment(read.of(one)):%H:%M}" for one in written]
    assert clocks == ["23:50", "00:30", "00:59", "01:05", "02:00"]


def test_lines_a_little_out_of_order_in_that_hour_do_not_jump():
    read = moments("%Y-%m-%d %H:%M:%S", zone="Europe/London", night=date(2026, 10, 24))
    clocks = [f"{moment(read.of(f'2026-10-25 01:30:{second:02d}')):%H:%M:%S}" for second in (5, 4, 6)]
    assert clocks == ["00:30:05", "00:30:04", "00:30:06"]


def test_a_time_in_a_files_name_is_found_where_colons_cannot_stand():
    assert moments().within("run 2026-03-14T20-01-53 L.json") == moments().of("2026-03-14T20:01:53")
    assert moments().within("run 20260314_200153.json") == moments().of("2026-03-14T20:01:53")
    assert moments("%d-%m-%Y_%H%M").within("f 14-03-2026_2001.csv") == moments().of("2026-03-14T20:01")
    assert moments().within("run 7.json") is None
    assert moments("%F %H-%M").within("run 2026-13-45 99-99.json") is None
    assert moments("%Y-%m-%d %H-%M").within("run 0000-00-00 00-00.json") is None
    assert moments().within("run 2026-13-45 99-99-99.json") is None


def test_a_zone_that_is_none_is_refused():
    with pytest.raises(ValueError, match="no time zone Nowhere/Land"):
        zone_named("Nowhere/Land")
    with pytest.raises(ValueError, match="no time zone"):
        zone_named("../../etc/passwd")
