from __future__ import annotations

import time as clock
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.inspection import Inspection
from manifests.frames.nights import frame_night, night_of, night_of_ns

MARCH_14 = date(2026, 3, 14)
NS = 1_000_000_000


def _utc(iso: str) -> datetime:
    return datetime.fromisoformat(iso).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("utc", "longitude_deg", "night"),
    [
        ("2026-03-14T21:00:00", 0.0, "2026-03-14"),
        ("2026-03-15T03:00:00", 0.0, "2026-03-14"),
        ("2026-03-14T12:00:00", 0.0, "2026-03-14"),
        ("2026-03-14T11:59:59.999999", 0.0, "2026-03-13"),
        ("2026-03-15T10:00:00", -120.0, "2026-03-14"),
        ("2026-03-15T19:59:59", -120.0, "2026-03-14"),
        ("2026-03-15T20:00:00", -120.0, "2026-03-15"),
        ("2026-03-14T12:00:00", 150.0, "2026-03-14"),
        ("2026-03-14T02:00:00", 150.0, "2026-03-14"),
        ("2026-03-14T01:59:59", 150.0, "2026-03-13"),
        ("2026-03-01T02:00:00", 0.0, "2026-02-28"),
        ("2024-03-01T02:00:00", 0.0, "2024-02-29"),
        ("2027-01-01T02:00:00", 0.0, "2026-12-31"),
    ],
)
def test_a_night_is_named_by_its_evening_at_the_site(utc, longitude_deg, night):
    assert night_of(_utc(utc), longitude_deg).isoformat() == night


def test_a_moment_in_another_zone_is_the_same_moment():
    there = datetime(2026, 3, 15, 5, 0, tzinfo=timezone(timedelta(hours=9)))
    assert night_of(there, 0.0) == MARCH_14
    assert night_of(_utc("2026-03-14T20:00:00"), 0.0) == MARCH_14
    assert night_of(_utc("2026-03-14T20:00:00").replace(tzinfo=None), 0.0) == MARCH_14


@given(
    st.dates(date(1, 1, 3), date(9999, 12, 28)),
    st.floats(-180, 180),
    st.timedeltas(timedelta(0), timedelta(days=1) - timedelta(microseconds=1)),
)
def test_a_night_lasts_from_noon_to_noon_at_any_longitude(evening, longitude_deg, since_noon):
    local_noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC)
    noon_utc = local_noon - timedelta(hours=longitude_deg / 15)
    assert night_of(noon_utc + since_noon, longitude_deg) == evening
    assert night_of(noon_utc - timedelta(microseconds=1), longitude_deg) == evening - timedelta(days=1)
    assert night_of(noon_utc + timedelta(days=1), longitude_deg) == evening + timedelta(days=1)


def test_the_ends_of_the_calendar_do_not_crash():
    first, last = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
    for longitude_deg in (-360.0, -180.0, 0.0, 180.0, 360.0):
        assert night_of(first, longitude_deg).year == 1
        assert night_of(last, longitude_deg).year == 9999
    assert night_of(first.replace(tzinfo=timezone(timedelta(hours=14))), 0.0) == date.min
    assert night_of(last.replace(tzinfo=timezone(timedelta(hours=-14))), 0.0) == date.max


@pytest.mark.parametrize(
    ("modified_ns", "night"),
    [
        (0, date(1969, 12, 31)),
        (12 * 3600 * NS, date(1970, 1, 1)),
        (12 * 3600 * NS - 1, date(1969, 12, 31)),
        (-1, date(1969, 12, 31)),
        (-12 * 3600 * NS - 1, date(1969, 12, 30)),
        (-(10**30), date.min),
        (10**30, date.max),
    ],
)
def test_a_file_s_time_may_be_any_number(modified_ns, night):
    assert night_of_ns(modified_ns, 0.0) == night


@given(st.integers(-(2**70), 2**70), st.floats(-360, 360))
def test_no_file_time_raises(modified_ns, longitude_deg):
    assert isinstance(night_of_ns(modified_ns, longitude_deg), date)


NEXT_MORNING_NS = int(_utc("2026-03-15T04:00:00").timestamp()) * NS


def test_a_frame_s_own_time_tells_its_night_whatever_the_file_s():
    inspection = Inspection(is_fits=True, frame=Frame(begun_utc=_utc("2026-01-01T21:00:00")))
    assert frame_night(inspection, NEXT_MORNING_NS, 0.0) == (date(2026, 1, 1), ())


def test_a_frame_without_a_date_is_filed_by_its_file_and_that_is_said():
    night, (finding,) = frame_night(Inspection(is_fits=True, frame=Frame()), NEXT_MORNING_NS, 0.0)
    assert (night, finding.kind) == (MARCH_14, FindingKind.NO_DATE)
    assert "2026-03-14" in finding.detail


def test_a_frame_with_a_date_alone_is_filed_by_its_midnight_and_that_is_said():
    inspection = Inspection(is_fits=True, frame=Frame(begun_utc=_utc("2026-03-15T00:00:00")), date_only=True)
    night, (finding,) = frame_night(inspection, 0, 0.0)
    assert (night, finding.kind) == (MARCH_14, FindingKind.DATE_WITHOUT_TIME)
    assert "2026-03-15" in finding.detail


def _seen(begun: str | None = None, **facts) -> Inspection:
    return Inspection(is_fits=True, frame=Frame(begun_utc=None if begun is None else _utc(begun)), **facts)


@pytest.mark.parametrize(
    ("local", "night"),
    [
        ("2026-03-14T23:30:00", 14),
        ("2026-03-15T02:00:00", 14),
        ("2026-03-15T11:59:00", 14),
        ("2026-03-15T12:00:00", 15),
    ],
)
@pytest.mark.parametrize("longitude_deg", [-120.0, 0.0, 149.0])
def test_local_time_gives_the_night_wherever_the_site_is_and_that_is_said(local, night, longitude_deg):
    inspection = _seen(begun_local=datetime.fromisoformat(local), written_utc=_utc("2020-01-01T00:00:00"))
    found, (finding,) = frame_night(inspection, NEXT_MORNING_NS, longitude_deg)
    assert (found, finding.kind) == (date(2026, 3, night), FindingKind.LOCAL_TIME)


def test_a_local_date_alone_is_said_without_a_time():
    inspection = _seen(begun_local=datetime(2026, 3, 14, 0, 0), date_only=True)  # noqa: DTZ001 (local)
    _, (finding,) = frame_night(inspection, NEXT_MORNING_NS, 0.0)
    assert finding.detail.startswith("the header says 2026-03-14, local time")
    _, (timed,) = frame_night(replace(inspection, date_only=False), NEXT_MORNING_NS, 0.0)
    assert timed.detail.startswith("the header says 2026-03-14 00:00:00, local time")


def test_local_time_at_the_calendar_s_first_noon_does_not_crash():
    assert frame_night(_seen(begun_local=datetime(1, 1, 1)), NEXT_MORNING_NS, 0.0)[0] == date.min  # noqa: DTZ001


def test_the_date_a_header_was_written_counts_before_the_file_s_time():
    night, (finding,) = frame_night(_seen(written_utc=_utc("2026-02-02T01:00:00")), NEXT_MORNING_NS, 0.0)
    assert (night, finding.kind) == (date(2026, 2, 1), FindingKind.NO_DATE)
    assert finding.detail == "filed under 2026-02-01 by its DATE, when the header was written"


@pytest.mark.parametrize(
    ("begun", "is_far"),
    [
        ("1970-01-01T00:00:10", True),
        ("2000-01-01T03:00:00", True),
        ("2099-12-31T23:00:00", True),
        ("2026-03-17T21:00:00", True),
        ("2026-03-16T21:00:00", False),
        ("2026-03-14T21:00:00", False),
        ("2006-03-19T21:00:00", True),
        ("2006-03-20T21:00:00", False),
    ],
)
def test_a_date_far_from_the_file_s_own_time_is_found(begun, is_far):
    _, findings = frame_night(_seen(begun), NEXT_MORNING_NS, 0.0)
    assert [finding.kind for finding in findings] == ([FindingKind.DATE_FAR_OFF] if is_far else [])
    assert not is_far or findings[0].detail == (
        f"the header says {begun[:10]}, the file was last changed 2026-03-15"
    )


@pytest.mark.parametrize("day", ["1970-01-01", "1980-01-01", "1980-12-31"])
def test_a_file_s_time_that_is_none_makes_no_date_doubtful(day):
    modified_ns = int(_utc(f"{day}T23:59:59").timestamp()) * NS
    assert frame_night(_seen("2026-03-14T21:00:00"), modified_ns, 0.0)[1] == ()


def test_a_file_s_time_of_1981_is_one():
    modified_ns = int(_utc("1981-01-01T00:00:00").timestamp()) * NS
    assert frame_night(_seen("2026-03-14T21:00:00"), modified_ns, 0.0)[1] != ()


def test_a_file_s_time_beyond_the_calendar_raises_nothing():
    for modified_ns in (10**30, -(10**30)):
        frame_night(_seen("2026-03-14T21:00:00"), modified_ns, 0.0)


def test_a_remark_on_the_date_is_a_finding():
    inspection = _seen("1926-03-14T00:00:00", date_only=True, date_remark="'14/03/26' is 1926")
    _, findings = frame_night(inspection, NEXT_MORNING_NS, 0.0)
    assert [finding.kind for finding in findings] == [
        FindingKind.DATE_IN_DOUBT,
        FindingKind.DATE_WITHOUT_TIME,
    ]


@pytest.mark.parametrize("is_fits", [True, False])
def test_what_is_no_frame_is_filed_by_its_file_without_a_finding(is_fits):
    assert frame_night(Inspection(is_fits=is_fits), NEXT_MORNING_NS, 0.0) == (MARCH_14, ())


@given(st.dates(date(1971, 1, 1), date(2200, 1, 1)), st.floats(-180, 180), st.integers(-3, 2))
def test_a_file_s_time_and_a_header_s_give_the_same_night_at_any_longitude(evening, longitude_deg, seconds):
    """Close to local noon, where a small difference would show."""
    noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC)
    moment = noon - timedelta(hours=longitude_deg / 15) + timedelta(seconds=seconds + 0.5)
    modified_ns = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000
    assert night_of_ns(modified_ns, longitude_deg) == night_of(moment, longitude_deg)
    assert night_of_ns(modified_ns, longitude_deg) == evening - timedelta(days=seconds < 0)


@pytest.mark.parametrize(
    ("there", "night"),
    [
        ("2026-03-15T05:00:00+09:00", "2026-03-14"),
        ("2026-03-15T14:00:00+09:00", "2026-03-14"),
        ("2026-03-15T22:00:00+09:00", "2026-03-15"),
        ("2026-03-14T06:00:00-11:00", "2026-03-14"),
    ],
)
def test_a_moment_in_another_zone_counts_by_its_utc_and_not_by_its_own_clock(there, night):
    assert night_of(datetime.fromisoformat(there), 0.0).isoformat() == night


@pytest.mark.skipif(not hasattr(clock, "tzset"), reason="Windows keeps its zone")
def test_a_moment_without_a_zone_is_utc_whatever_the_computer_s_zone(monkeypatch):
    monkeypatch.setenv("TZ", "XXX-13")
    clock.tzset()
    try:
        naive = [_utc(f"2026-03-14T{hour}:00:00").replace(tzinfo=None) for hour in (11, 12)]
        nights = [night_of(moment, 0.0).day for moment in naive]
    finally:
        monkeypatch.undo()
        clock.tzset()
    assert nights == [13, 14]
