"""Lights that cannot have been taken when and where their headers say."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.sky import sky_findings, sky_of_frames

LATITUDE, LONGITUDE = 51.2, -1.9
# Orion's belt, high in the south on a January evening.
LIGHT = Frame(begun_utc=datetime(2026, 1, 14, 22, 5, tzinfo=UTC), exposure_s=300.0, ra_deg=84.0, dec_deg=-1.2)


def kinds(*frames: Frame, latitude=LATITUDE, longitude=LONGITUDE) -> list[FindingKind | None]:
    sky = sky_of_frames(frames, latitude, longitude)
    return [finding and finding.kind for finding in sky_findings(frames, sky, latitude, longitude)]


def test_a_light_of_the_night_above_the_horizon_is_left_in_peace():
    assert kinds(LIGHT) == [None]
    assert kinds() == []


def test_a_target_below_the_horizon_is_found_with_its_altitude():
    set_since = replace(LIGHT, begun_utc=LIGHT.begun_utc + timedelta(hours=7))
    assert kinds(LIGHT, set_since) == [None, FindingKind.BELOW_HORIZON]
    sky = sky_of_frames([set_since], LATITUDE, LONGITUDE)
    (finding,) = sky_findings([set_since], sky, LATITUDE, LONGITUDE)
    assert finding.detail.startswith("its target stood at -")


@pytest.mark.parametrize(("altitude", "kind"), [(-1.9, None), (-2.1, FindingKind.BELOW_HORIZON)])
def test_two_degrees_below_the_horizon_are_forgiven(altitude, kind):
    """Of stars all along the equator, every tenth of a degree, the one nearest to that altitude."""
    frames = [replace(LIGHT, ra_deg=tenths / 10, dec_deg=0.0, exposure_s=0.0) for tenths in range(3600)]
    sky = sky_of_frames(frames, LATITUDE, LONGITUDE)
    nearest = min(range(len(frames)), key=lambda row: abs(sky.altitude_deg[row] - altitude))
    assert abs(sky.altitude_deg[nearest] - altitude) < 0.09
    assert kinds(frames[nearest]) == [kind]


def test_a_frame_without_a_time_does_not_end_the_look():
    below = replace(LIGHT, begun_utc=LIGHT.begun_utc + timedelta(hours=7))
    assert kinds(replace(LIGHT, begun_utc=None), below) == [None, FindingKind.BELOW_HORIZON]


def test_a_target_that_rises_during_the_exposure_is_not_below():
    at_rising = LIGHT.begun_utc - timedelta(hours=6, minutes=30)
    kept_up = replace(LIGHT, begun_utc=at_rising, exposure_s=7200.0)
    cut_off = replace(LIGHT, begun_utc=at_rising, exposure_s=60.0)
    assert kinds(kept_up, cut_off)[0] is not FindingKind.BELOW_HORIZON
    assert kinds(kept_up, cut_off)[1] is FindingKind.BELOW_HORIZON


@pytest.mark.parametrize(
    ("hour", "minute", "kind"),
    [(12, 0, FindingKind.LIGHT_BY_DAY), (16, 0, FindingKind.LIGHT_BY_DAY), (16, 45, None)],
)
def test_a_light_by_day_is_found_and_one_in_twilight_is_not(hour, minute, kind):
    """Sunset on this day at this place is near 16:25 UTC."""
    polar = replace(LIGHT, dec_deg=80.0, begun_utc=datetime(2026, 1, 14, hour, minute, 1, tzinfo=UTC))
    assert kinds(polar) == [kind]


def test_a_header_s_own_altitude_says_more_and_comes_first():
    set_since = replace(LIGHT, begun_utc=LIGHT.begun_utc + timedelta(hours=7), altitude_deg=36.0)
    assert kinds(set_since) == [FindingKind.ALTITUDE_WRONG]


def test_a_midnight_that_stands_for_no_time_is_not_judged():
    midsummer = datetime(2026, 6, 14, tzinfo=UTC)
    assert kinds(replace(LIGHT, begun_utc=midsummer)) == [None]
    assert kinds(replace(LIGHT, begun_utc=midsummer + timedelta(seconds=1))) == [FindingKind.BELOW_HORIZON]


@pytest.mark.parametrize("gap", ["begun_utc", "ra_deg", "dec_deg"])
def test_what_is_not_known_is_not_below_the_horizon(gap):
    assert FindingKind.BELOW_HORIZON not in kinds(replace(LIGHT, **{gap: None}))


def test_without_a_site_nothing_is_judged():
    assert kinds(LIGHT, latitude=None, longitude=None) == [None]
