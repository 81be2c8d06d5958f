from __future__ import annotations

from datetime import UTC, datetime

import pytest

from manifests.frames.timescales import to_utc

_naive = datetime.fromisoformat


@pytest.mark.parametrize("scale", ["UTC", "utc", "UTC(NIST)", "GMT", "UT1", "", "something", " UTC "])
def test_utc_its_like_and_unknown_scales_are_taken_as_utc(scale):
    assert to_utc(_naive("2026-03-14T22:00:00"), scale) == datetime(2026, 3, 14, 22, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("scale", "ahead_s"),
    [("TAI", 37), ("IAT", 37), ("TT", 69.184), ("TT(TAI)", 69.184), ("TDB", 69.184), ("GPS", 18)],
)
def test_atomic_scales_run_ahead_of_utc_by_the_leap_seconds(scale, ahead_s):
    got = to_utc(_naive("2026-03-14T22:00:00"), scale)
    assert (datetime(2026, 3, 14, 22, 0, tzinfo=UTC) - got).total_seconds() == pytest.approx(
        ahead_s, abs=1e-6
    )


def test_a_leap_second_is_counted_from_its_day_on():
    assert to_utc(_naive("2017-01-01T00:00:36"), "TAI") == datetime(2017, 1, 1, tzinfo=UTC)
    assert to_utc(_naive("2016-12-31T23:59:36"), "TAI") == datetime(2016, 12, 31, 23, 59, tzinfo=UTC)
    assert to_utc(_naive("2017-01-01T00:00:38"), "TAI") == datetime(2017, 1, 1, 0, 0, 1, tzinfo=UTC)


def test_local_time_names_no_zone_and_gives_no_moment():
    assert to_utc(_naive("2026-03-14T22:00:00"), "LOCAL") is None


def test_the_ends_of_the_calendar_are_an_overflow_error_for_the_caller():
    with pytest.raises(OverflowError):
        to_utc(_naive("0001-01-01T00:00:00"), "TT")
