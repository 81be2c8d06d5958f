"""What a header says of its sky beside what time and site give, and what would explain the difference."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.findings import FindingKind
from manifests.frames.frame import Frame
from manifests.frames.sky import disagreements, sky_of_frames

LATITUDE, LONGITUDE = 51.2, -1.9
BEGUN = datetime(2026, 1, 14, 19, tzinfo=UTC)


def night(latitude=LATITUDE, longitude=LONGITUDE, count=40, exposure_s=300.0) -> list[Frame]:
    """Frames of one target, their headers right about a night at this place."""
    bare = [
        Frame(
            begun_utc=BEGUN + timedelta(seconds=400 * each), exposure_s=exposure_s, ra_deg=83.8, dec_deg=22.0
        )
        for each in range(count)
    ]
    sky = sky_of_frames(bare, latitude, longitude)
    facts = zip(bare, sky.altitude_deg, sky.airmass, strict=True)
    return [
        replace(frame, altitude_deg=float(altitude), airmass=float(airmass))
        for frame, altitude, airmass in facts
    ]


def shifted(frames, hours):
    return [replace(frame, begun_utc=frame.begun_utc + timedelta(hours=hours)) for frame in frames]


def found_in(frames, latitude=LATITUDE, longitude=LONGITUDE):
    return disagreements(frames, sky_of_frames(frames, latitude, longitude), latitude, longitude)


def details(findings):
    return {finding.detail.partition("; ")[2] for finding in findings if finding}


def test_headers_that_are_right_are_left_in_peace():
    assert found_in(night()) == [None] * 40


def test_no_frames_no_findings():
    assert found_in([]) == []


@pytest.mark.parametrize("hours", [-11, -5, -2, 2, 3, 7, 11])
def test_a_clock_off_by_whole_hours_is_found_and_named(hours):
    findings = found_in(shifted(night(), hours))
    assert sum(finding is not None for finding in findings) > 30
    way = "ahead" if hours > 0 else "behind"
    local = " (local time instead of UTC?)" if hours == 2 else ""
    assert details(findings) == {f"a clock {abs(hours)} h {way}{local} would explain it"}


@pytest.mark.parametrize("hours", [-12, 12])
def test_morning_taken_for_evening_is_named_without_a_direction(hours):
    assert details(found_in(shifted(night(), hours))) == {"a clock 12 h off would explain it"}


def test_a_clock_on_local_time_far_from_greenwich_is_suspected():
    frames = shifted(night(longitude=-105.0), -7)
    assert details(found_in(frames, longitude=-105.0)) == {
        "a clock 7 h behind (local time instead of UTC?) would explain it"
    }


@pytest.mark.parametrize(
    ("hours", "longitude", "said"),
    [
        (5.5, 78.0, "a clock 5 h 30 min ahead"),
        (-3.5, -55.0, "a clock 3 h 30 min behind"),
        (5.75, 85.0, "a clock 5 h 45 min ahead"),
        (9.5, 138.0, "a clock 9 h 30 min ahead"),
    ],
)
def test_a_clock_on_a_local_time_of_broken_hours_is_named(hours, longitude, said):
    frames = shifted(night(longitude=longitude), hours)
    assert details(found_in(frames, longitude=longitude)) == {
        f"{said} (local time instead of UTC?) would explain it"
    }


def test_a_clock_off_by_broken_hours_that_are_no_local_time_there_is_not_suspected():
    assert "30 min" not in details(found_in(shifted(night(), 5.5))).pop()


def test_a_longitude_counted_west_is_named():
    findings = found_in(night(longitude=-71.0), longitude=71.0)
    assert details(findings) == {"a longitude with the wrong sign would explain it"}


def test_a_southern_site_noted_as_northern_is_named():
    findings = found_in(night(latitude=-23.0), latitude=23.0)
    assert details(findings) == {"a latitude with the wrong sign would explain it"}


def test_a_sign_that_is_worth_whole_hours_cannot_be_told_from_a_clock():
    found = details(found_in(night(longitude=-30.0), longitude=30.0))
    assert len(found) == 1
    assert "a longitude with the wrong sign" in found.pop()
    assert "a clock 4 h ahead" in details(found_in(night(longitude=-30.0), longitude=30.0)).pop()


def test_the_sentence_says_what_the_header_says_and_what_is_computed():
    frame = replace(night(count=1)[0], altitude_deg=12.0)
    finding = found_in([frame])[0]
    assert finding.kind is FindingKind.ALTITUDE_WRONG
    assert finding.detail.startswith("the header says altitude 12.0°, its time and the site give 44.0°; ")


def test_an_airmass_alone_tells_too():
    frames = [replace(frame, altitude_deg=None) for frame in shifted(night(), -3)]
    findings = found_in(frames)
    assert {finding.kind for finding in findings if finding} == {FindingKind.AIRMASS_WRONG}
    assert details(findings) == {"a clock 3 h behind would explain it"}


def test_an_airmass_of_a_target_below_the_horizon_is_said_so():
    frame = replace(shifted(night(count=1), -6)[0], altitude_deg=None)
    assert "give an altitude of -" in found_in([frame])[0].detail


def test_an_airmass_that_contradicts_a_right_altitude_is_found():
    frame = replace(night(count=1)[0], airmass=1.8)
    finding = found_in([frame])[0]
    assert finding.kind is FindingKind.AIRMASS_WRONG
    assert finding.detail.startswith("the header says airmass 1.80, its time and the site give 1.4")


def test_a_header_stuck_at_one_value_is_explained_by_nothing():
    frames = [replace(frame, altitude_deg=0.0, airmass=None) for frame in night()]
    assert details(found_in(frames)) == {
        "no clock off by whole hours or on local time, and no wrong sign of the site, explains it"
    }


def test_coordinates_of_another_target_are_not_explained_by_a_clock():
    frames = [replace(frame, ra_deg=140.0, dec_deg=-5.0) for frame in night()]
    assert details(found_in(frames)) == {
        "no clock off by whole hours or on local time, and no wrong sign of the site, explains it"
    }


def test_a_clock_put_right_in_the_middle_of_the_night_is_named_where_it_was_wrong():
    frames = night()
    findings = found_in([*shifted(frames[:15], 3), *frames[15:]])
    assert details(findings[:15]) == {"a clock 3 h ahead would explain it"}
    assert findings[15:] == [None] * 25


@pytest.mark.parametrize("airmass", [0.0, -1.0, 1e9, float("nan")])
def test_a_placeholder_is_not_an_airmass(airmass):
    assert found_in([replace(night(count=1)[0], airmass=airmass)]) == [None]


def test_a_height_in_metres_is_not_an_altitude():
    assert found_in([replace(night(count=1)[0], altitude_deg=1703.2)]) == [None]


@pytest.mark.parametrize("gap", ["begun_utc", "ra_deg", "dec_deg"])
def test_what_cannot_be_computed_is_not_judged(gap):
    assert found_in([replace(night(count=1)[0], **{gap: None})]) == [None]


def test_a_site_that_is_missing_judges_nothing():
    assert found_in(night(count=2), None, None) == [None, None]


@settings(max_examples=30, deadline=None)
@given(st.floats(-1.0, 1.0), st.floats(60.0, 3600.0))
def test_a_header_may_speak_of_any_moment_of_the_exposure(part, exposure_s):
    frame = night(count=1, exposure_s=exposure_s)[0]
    middle = frame.begun_utc + timedelta(seconds=exposure_s / 2)
    moment = Frame(begun_utc=middle + part * timedelta(seconds=exposure_s / 2), ra_deg=83.8, dec_deg=22.0)
    sky = sky_of_frames([moment], LATITUDE, LONGITUDE)
    said = replace(frame, altitude_deg=float(sky.altitude_deg[0]), airmass=float(sky.airmass[0]))
    assert found_in([said]) == [None]


@pytest.mark.parametrize(("off", "is_found"), [(0.9, False), (-0.9, False), (1.2, True), (-1.2, True)])
def test_a_degree_is_forgiven(off, is_found):
    frame = night(count=1, exposure_s=0.0)[0]
    finding = found_in([replace(frame, altitude_deg=frame.altitude_deg + off, airmass=None)])[0]
    assert (finding is not None) == is_found


@pytest.mark.parametrize(("factor", "is_found"), [(1.04, False), (0.96, False), (1.07, True), (0.93, True)])
def test_five_percent_of_airmass_is_forgiven(factor, is_found):
    frame = night(count=1, exposure_s=0.0)[0]
    finding = found_in([replace(frame, altitude_deg=None, airmass=frame.airmass * factor)])[0]
    assert (finding is not None) == is_found


def test_airmass_near_the_horizon_is_not_judged():
    bare = Frame(begun_utc=BEGUN, ra_deg=190.0, dec_deg=45.0)
    sky = sky_of_frames([bare], LATITUDE, LONGITUDE)
    assert 3.0 < sky.altitude_deg[0] < 14.0
    assert found_in([replace(bare, airmass=float(sky.airmass[0]) * 1.3)]) == [None]
