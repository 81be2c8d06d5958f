"""A quantity over a night: sums, moments, dew; gaps and failures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.dew import dew_point_deg_c
from manifests.readings.happenings import GAP, MINUTE_US, Failure, Happening, Span, failures, gaps
from manifests.readings.series import DEW_MARGIN, DEW_POINT, HOUR_US, Series, series_of, with_dew
from manifests.readings.thinning import ReadingRecord

MINUTES = [(minute * MINUTE_US, 10 - minute / 60) for minute in range(0, 241, 10)]
AIR = series_of("mast", "air temperature", "deg_C", MINUTES)


def test_a_summary_says_first_last_lowest_highest_and_fall_per_hour():
    summary = AIR.summary()
    assert summary is not None
    assert (summary.first, summary.last, summary.lowest, summary.highest, summary.count) == (10, 6, 6, 10, 25)
    assert summary.fall_per_hour == pytest.approx(1.0)


def test_a_fall_over_minutes_is_none_per_hour():
    assert AIR.within(0, HOUR_US // 3).summary().fall_per_hour is None
    assert Series("mast", "x", "", ()).summary() is None


def test_what_a_reading_was_at_a_moment_is_the_last_one_up_to_it():
    assert AIR.at(25 * MINUTE_US) == 10 - 20 / 60
    assert AIR.at(20 * MINUTE_US) == 10 - 20 / 60
    assert AIR.at(-1) is None
    assert AIR.at(270 * MINUTE_US) == 6
    assert AIR.at(271 * MINUTE_US) is None, "a reading of half an hour ago says nothing"


def test_a_long_exposure_says_what_was_while_it_lasted_and_half_an_hour_after():
    exposure = ReadingRecord(0, -10.0, -10.0, -10.0, -10.0, 1, lasted_us=40 * MINUTE_US)
    sensor = Series("frames", "sensor temperature", "deg_C", (exposure,))
    assert [sensor.at(minute * MINUTE_US) for minute in (0, 35, 70, 71)] == [-10.0, -10.0, -10.0, None]


def test_the_dew_point_is_made_of_the_humidity_and_the_air_of_one_source():
    humidity = series_of("mast", "Humidity", "%", [(0, 50.0), (10 * MINUTE_US, 100.0)])
    other = series_of("roof", "air temperature", "deg_C", [(0, -20.0)])
    found = {one.quantity: one for one in with_dew([other, AIR, humidity]) if one.source == "mast"}
    assert [one.first for one in found[DEW_POINT].records] == pytest.approx([0.047, 10 - 1 / 6], abs=0.001)
    assert found[DEW_MARGIN].records[1].first == pytest.approx(0.0, abs=1e-9)
    assert found[DEW_MARGIN].unit == "K"


def test_fahrenheit_is_converted_and_a_dew_point_of_the_source_is_kept():
    air = series_of("mast", "air", "deg_F", [(0, 68.0)])
    humidity = series_of("mast", "humidity", "%", [(0, 50.0)])
    own = series_of("mast", "dew point", "deg_F", [(0, 48.0)])
    found = with_dew([air, humidity, own])
    assert [one.quantity for one in found] == ["air", "humidity", "dew point", DEW_MARGIN]
    assert found[-1].records[0].first == pytest.approx(20 - 9.261, abs=0.01)


def test_without_its_temperature_or_one_too_many_a_humidity_has_no_dew_point():
    humidity = series_of("mast", "humidity", "%", [(0, 50.0)])
    two = [series_of("mast", name, "deg_C", [(0, 5.0)]) for name in ("tube", "box")]
    assert with_dew([humidity]) == (humidity,)
    assert with_dew([humidity, *two]) == (humidity, *two)
    late = series_of("mast", "humidity", "%", [(9 * HOUR_US, 50.0)])
    assert len(with_dew([AIR, late])) == 2, "a temperature of hours ago is not its own"


@given(st.floats(-40, 40), st.floats(1, 100))
def test_the_dew_point_is_never_above_the_air(air, humidity):
    dew_point = dew_point_deg_c(air, humidity)
    assert dew_point is not None
    assert dew_point <= air + 1e-9


@pytest.mark.parametrize("humidity", [0.0, -5.0, 111.0, float("nan")])
def test_a_humidity_that_is_none_gives_no_dew_point(humidity):
    assert dew_point_deg_c(10.0, humidity) is None


def spans(*minutes: tuple[int, int]) -> list[Span]:
    return [Span(begun * MINUTE_US, ended * MINUTE_US) for begun, ended in minutes]


def test_gaps_are_those_in_the_dark_alone():
    dark = Span(60 * MINUTE_US, 600 * MINUTE_US)
    busy = spans((0, 90), (100, 200), (240, 300))
    assert list(gaps(busy, dark)) == spans((200, 240), (300, 600))
    assert list(gaps([], dark)) == [dark]
    assert list(gaps(spans((0, 50), (580, 700)), dark)) == spans((60, 580))


def test_a_long_exposure_beneath_short_ones_leaves_no_gap():
    dark = Span(0, 100 * MINUTE_US)
    assert gaps(spans((0, 100), (10, 20), (30, 40)), dark) == ()


def test_where_it_is_not_known_when_it_was_dark_only_gaps_between_frames_count():
    assert list(gaps(spans((0, 10), (30, 40)), None)) == spans((10, 30))
    assert gaps([], None) == ()


def event(minute: int, name: str) -> Happening:
    return Happening(minute * MINUTE_US, name, "sequencer", "p", "t")


def test_only_events_that_count_are_failures_and_a_burst_is_one():
    happened = [event(0, "lost"), event(20, "lost"), event(45, "lost"), event(90, "lost"), event(5, "flip")]
    found = failures(happened, spans((200, 260)), ["lost", GAP])
    assert found == (
        Failure(0, "lost", 3),
        Failure(90 * MINUTE_US, "lost", 1),
        Failure(200 * MINUTE_US, GAP, 1),
    )
    assert failures(happened, spans((200, 260)), ["lost"])[-1].event == "lost"
