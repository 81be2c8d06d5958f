"""Nights, whatever the clock and the time zone do: zones, the year's end, leap days and leap seconds."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta

import erfa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.cards import CardValue
from manifests.frames.inspection import inspect_blocks
from manifests.frames.keywords import KEYWORDS
from manifests.frames.moments import beginning_of
from manifests.frames.nights import frame_night, night_of, night_of_ns
from manifests.frames.values import longitude_deg

ZONES = (
    "UTC",
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",  # half an hour of daylight saving time
    "Asia/Kathmandu",
    "Pacific/Kiritimati",
    "Pacific/Pago_Pago",
)
# Where clocks change in one of these zones, a year ends, a day is a leap day; and a noon by UTC.
MOMENTS = tuple(
    datetime.fromisoformat(written).replace(tzinfo=UTC)
    for written in (
        "2026-03-29T00:59:59",
        "2026-03-29T01:00:00",
        "2026-10-25T00:30:00",
        "2026-10-25T01:30:00",
        "2026-03-08T06:59:59",
        "2026-11-01T06:00:00",
        "2026-04-04T14:45:00",
        "2026-12-31T23:59:59",
        "2027-01-01T00:00:00",
        "2028-02-29T12:00:00",
        "2028-03-01T11:59:59",
        "2026-03-14T12:00:00",
    )
)
QUARTERS = st.integers(-719, 720).map(lambda quarter: quarter / 4)  # degrees: of a whole number of seconds
INSTANTS = st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1)).map(  # noqa: DTZ001
    lambda moment: moment.replace(tzinfo=UTC)
)


def _ns(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


def _begun(written: str) -> datetime:
    return beginning_of({"DATE-OBS": CardValue(written)}, KEYWORDS, "UTC", None).utc


def _every_way(primary, moment: datetime, longitude: float) -> set[date]:
    content = primary(("DATE-OBS", moment.strftime("%Y-%m-%dT%H:%M:%S")))
    header, _ = frame_night(inspect_blocks([content]), 0, longitude)
    file, _ = frame_night(inspect_blocks([b"a log"]), _ns(moment), longitude)
    return {night_of(moment, longitude), night_of_ns(_ns(moment), longitude), header, file}


@pytest.fixture
def zone(monkeypatch):
    """Return what puts the computer into a time zone."""
    if not hasattr(time, "tzset"):
        pytest.skip("this system's zone is not a process's own")

    def put(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield put
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("longitude", [-157.5, -1.9, 0.0, 85.3, 180.0])
def test_the_computers_zone_and_its_daylight_saving_time_move_no_night(zone, primary, longitude):
    nights = {}
    for name in ZONES:
        zone(name)
        nights[name] = [_every_way(primary, moment, longitude) for moment in MOMENTS]
    assert all(len(found) == 1 for found in nights["UTC"])
    assert all(found == nights["UTC"] for found in nights.values())


@given(INSTANTS, QUARTERS)
def test_a_file_and_a_frame_of_one_moment_are_of_one_night(moment, longitude):
    assert night_of(moment, longitude) == night_of_ns(_ns(moment), longitude)


@given(INSTANTS, INSTANTS, st.floats(-180, 180))
def test_what_is_later_is_of_no_earlier_night(one, other, longitude):
    first, second = sorted((one, other))
    assert night_of(first, longitude) <= night_of(second, longitude)
    assert night_of_ns(_ns(first), longitude) <= night_of_ns(_ns(second), longitude)


@given(INSTANTS, st.floats(-179, 179), st.floats(0, 1))
def test_a_step_to_the_east_moves_a_night_by_a_day_at_most_and_never_back(moment, longitude, step):
    here, there = night_of(moment, longitude), night_of(moment, longitude + step)
    assert timedelta(0) <= there - here <= timedelta(days=1)


@given(INSTANTS)
def test_the_meridian_of_the_date_line_has_one_night_however_it_is_written(moment):
    east, west, counted_on = (longitude_deg(CardValue(written)) for written in (180.0, -180.0, "180:00:00"))
    assert night_of(moment, east) == night_of(moment, west) == night_of(moment, counted_on)


@given(st.dates(date(1901, 1, 1), date(2199, 12, 30)), st.floats(-179.9, 180))
def test_all_of_a_dark_night_has_the_date_of_its_evening(evening, longitude):
    """Also on New Year's Eve, and from the last of February on."""
    nine = datetime(evening.year, evening.month, evening.day, 21, tzinfo=UTC) - timedelta(
        hours=longitude / 15
    )
    assert {night_of(nine + timedelta(hours=hours), longitude) for hours in range(10)} == {evening}


@pytest.mark.parametrize(
    ("begun", "night"),
    [
        ("2028-02-29T00:30:00", date(2028, 2, 28)),
        ("2028-02-29T21:00:00", date(2028, 2, 29)),
        ("2028-03-01T04:00:00", date(2028, 2, 29)),
        ("2100-03-01T04:00:00", date(2100, 2, 28)),
        ("2026-12-31T23:59:59.999", date(2026, 12, 31)),
        ("2027-01-01T00:00:00", date(2026, 12, 31)),
        ("2027-01-01T12:00:00", date(2027, 1, 1)),
        ("2016-12-31T23:59:60", date(2016, 12, 31)),
        ("2016-12-31T23:59:60.999", date(2016, 12, 31)),
    ],
)
def test_a_header_at_the_turn_of_a_year_or_a_leap_day_is_of_its_night(begun, night):
    assert night_of(_begun(begun), 0.0) == night


LEAP_SECONDS = [
    datetime(year, month, 1, tzinfo=UTC) for year, month, _ in erfa.leap_seconds.get() if year > 1972
]


@pytest.mark.parametrize("midnight", LEAP_SECONDS, ids=lambda moment: f"{moment:%Y-%m}")
def test_no_leap_second_is_lost_or_out_of_order(midnight):
    """Each that was, by the table of the astronomical library: 23:59:60 of the day before."""
    before = midnight - timedelta(seconds=1)
    written = f"{before:%Y-%m-%d}T23:59:"
    seconds = [_begun(f"{written}{second}") for second in ("59", "59.999", "60", "60.999")]
    after = _begun(f"{midnight:%Y-%m-%d}T00:00:01")
    assert seconds == sorted(seconds)
    assert seconds[0] == before
    assert midnight <= seconds[2] <= after
    # At 180° a UTC midnight is a noon, where the night changes: one of the two, and no other.
    assert len({night_of(moment, 0.0) for moment in (*seconds, after)}) == 1
    assert {night_of(moment, 180.0) for moment in (*seconds, after)} <= {before.date(), midnight.date()}
