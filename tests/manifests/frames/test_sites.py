"""The site of a frame: the configured one, or the one that its header names."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.inspection import Inspection
from manifests.frames.nights import frame_night
from manifests.frames.sites import site_of

HOME = 51.2, -1.9
HOSTED = -31.3, 149.1


def _from(latitude: float | None, longitude: float | None) -> Frame:
    return Frame(site_latitude_deg=latitude, site_longitude_deg=longitude)


def _place(frame: Frame | None, home=HOME):
    site = site_of(frame, *home)
    return (site.latitude_deg, site.longitude_deg), site.finding and site.finding.kind


def test_a_header_that_names_a_place_elsewhere_is_taken_at_its_word_and_that_is_said():
    site = site_of(_from(*HOSTED), *HOME)
    assert (site.latitude_deg, site.longitude_deg) == HOSTED
    assert site.finding.kind is FindingKind.SITE_ELSEWHERE
    assert site.finding.detail.startswith("31.30° S, 149.10° E, 16,7")
    assert " km from the configured site" in site.finding.detail


@pytest.mark.parametrize(
    "said",
    [HOME, (51.9, -1.9), (51.2, -3.4), (51.2, 1.9), (-51.2, -1.9), (-51.2, 1.9), (-51.7, 2.3), (0.0, 0.0)],
)
def test_the_configured_site_near_by_with_a_sign_turned_or_never_set_stays(said):
    assert _place(_from(*said)) == (HOME, None)


@pytest.mark.parametrize("said", [(52.3, -1.9), (51.2, -3.6), (0.0, -1.9), (51.2, 0.0), (1.9, 51.2)])
def test_a_degree_of_a_great_circle_away_is_elsewhere(said):
    assert _place(_from(*said)) == (said, FindingKind.SITE_ELSEWHERE)


@pytest.mark.parametrize("said", [(None, None), (None, 149.1), (-31.3, None)])
def test_half_a_site_is_none(said):
    assert _place(_from(*said)) == (HOME, None)
    assert _place(None) == (HOME, None)


def test_what_is_not_configured_comes_from_the_header_without_a_word():
    assert _place(_from(*HOSTED), (None, None)) == (HOSTED, None)
    assert _place(_from(*HOSTED), (51.2, None)) == ((51.2, 149.1), None)
    assert _place(_from(-31.3, None), (None, 149.0)) == ((-31.3, 149.0), None)
    assert _place(_from(*HOSTED), (None, 149.5)) == ((-31.3, 149.5), None)
    assert _place(_from(*HOSTED), (None, -1.9)) == (HOSTED, FindingKind.SITE_ELSEWHERE)


def test_the_other_end_of_the_world_is_elsewhere():
    for degree in range(-89, 90):
        home = degree + 0.1, degree * 0.37
        there = -home[0], home[1] - 180 if home[1] > 0 else home[1] + 180
        assert _place(_from(*there), home) == (there, FindingKind.SITE_ELSEWHERE)
        assert "20,0" in site_of(_from(*there), *home).finding.detail


def test_two_sides_of_the_date_line_are_near():
    assert _place(_from(-18.0, -179.8), (-18.0, 179.9)) == ((-18.0, 179.9), None)


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180))
def test_a_site_is_one_of_the_two(latitude, longitude, said_latitude, said_longitude):
    (place, kind) = _place(_from(said_latitude, said_longitude), (latitude, longitude))
    assert place == ((latitude, longitude) if kind is None else (said_latitude, said_longitude))


@pytest.mark.parametrize("latitude", [None, HOME[0]])
def test_an_evening_at_a_site_far_to_the_east_is_one_night_and_that_is_said(latitude):
    """20 h and 3 h of local time at 149° E, on both sides of the noon at 1.9° W."""
    for hour in (10, 17):
        begun = datetime(2026, 3, 14, hour, tzinfo=UTC)
        seen = Inspection(is_fits=True, frame=replace(_from(*HOSTED), begun_utc=begun))
        night, findings = frame_night(seen, int(begun.timestamp()) * 10**9, HOME[1], latitude)
        assert night == date(2026, 3, 14)
        assert [finding.kind for finding in findings] == [FindingKind.SITE_ELSEWHERE]


def test_a_longitude_counted_west_does_not_move_the_night():
    begun = datetime(2026, 3, 15, 16, 20, tzinfo=UTC)
    seen = Inspection(is_fits=True, frame=replace(_from(-31.3, -149.1), begun_utc=begun))
    assert frame_night(seen, int(begun.timestamp()) * 10**9, 149.1, -31.3) == (date(2026, 3, 15), ())
