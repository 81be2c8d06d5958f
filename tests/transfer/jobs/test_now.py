"""How the running night stands, as `now` says it."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.nights import Computer
from transfer.config import Site
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.engine.sources import SourceFile
from transfer.engine.standing import Standing, arrivals, dark_hours, missing_since, standing_from, told
from transfer.errors import ExitCode
from transfer.jobs.now import look_at_now

MIDNIGHT = datetime(2026, 3, 15, 0, 0, tzinfo=UTC)
SITE = Site("Test Down", 51.2, -1.9)


def standing(**facts):
    began = told(MIDNIGHT - timedelta(hours=5))
    until = told(MIDNIGHT + timedelta(hours=8))
    common = {
        "night": "2026-03-14",
        "drives": ("Field stick",),
        "whole": 12,
        "proven": 12,
        "proven_frames": 10,
    }
    return Standing(7, "0.1.0", began, until, **(common | {"proven_bytes": 600_000_000} | facts))


@pytest.fixture
def place(tmp_path):
    return MeetingPlace(tmp_path / "night" / "records", this_computer())


@pytest.fixture
def computer(tmp_path):
    return Computer(tmp_path / "night")


def look(computer, place, facts, now=MIDNIGHT):
    """Look as long as a follower is at work that has kept this."""
    with place.alone():
        place.keep_state(facts.as_json())
        return look_at_now(computer.config(), place, this_computer(), now)


def frame(minute, name="light.fits"):
    moment = MIDNIGHT + timedelta(minutes=minute)
    return SourceFile("frames", name, 100, int(moment.timestamp()) * 10**9, None)


def test_all_is_well_while_frames_come(computer, place, stick):
    last = told(MIDNIGHT - timedelta(minutes=3))
    found = look(computer, place, standing(last_frame_utc=last, usual_gap_s=120.0, places=(str(stick),)))
    assert (found.exit_code, found.troubles, found.no_frame_for) == (ExitCode.PROVEN, (), None)
    assert found.room_nights == pytest.approx(found.free_bytes / 600_000_000, abs=0.1)


@pytest.mark.parametrize(("minutes", "is_missing"), [(3.9, False), (4.1, True)])
def test_no_frame_for_twice_the_usual_gap_is_told_where_it_is_dark(computer, place, minutes, is_missing):
    last = told(MIDNIGHT - timedelta(minutes=minutes))
    found = look(computer, place, standing(last_frame_utc=last, usual_gap_s=120.0))
    assert (found.no_frame_for is not None) == is_missing
    assert (found.exit_code is ExitCode.SOMETHING_UNPROVEN) == is_missing


def test_by_day_no_frame_is_missed(computer, place):
    noon = MIDNIGHT + timedelta(hours=12)
    found = look(computer, place, standing(last_frame_utc=told(MIDNIGHT), usual_gap_s=120.0), now=noon)
    assert found.no_frame_for is None


def test_frames_of_the_night_before_are_none_of_tonight():
    dark = dark_hours(date(2026, 3, 14), SITE)
    yesterday = standing(last_frame_utc=told(MIDNIGHT - timedelta(hours=20)), usual_gap_s=60.0)
    assert missing_since(yesterday, dark, dark.dusk_utc + timedelta(seconds=110)) is None
    assert missing_since(yesterday, dark, dark.dusk_utc + timedelta(seconds=130)) == timedelta(seconds=130)


def test_without_a_place_nobody_says_that_it_is_dark():
    assert dark_hours(date(2026, 3, 14), Site("somewhere", None, None)) is None
    assert missing_since(standing(), None, MIDNIGHT) is None


def test_the_usual_gap_is_the_median_of_the_last_ones():
    files = [frame(minute) for minute in (0, 2, 4, 6, 40, 42)]
    last, gap_s = arrivals([*files, frame(50, "mount.log")])
    assert (last, gap_s) == (MIDNIGHT + timedelta(minutes=42), 120.0)
    assert arrivals(files[:2])[1] == 0.0
    assert arrivals([]) == (None, 0.0)


def test_a_drive_that_is_gone_and_one_that_is_full_are_told(computer, place):
    gone = look(computer, place, standing(gone=("Field stick",)))
    assert (gone.exit_code, "Field stick" in gone.troubles[0]) == (ExitCode.NOT_THERE, True)
    full = look(computer, place, standing(did_not_fit=2, last_frame_utc=told(MIDNIGHT)))
    assert (full.exit_code, full.troubles) == (1, ("The drive is full: 2 files did not fit.",))


def test_a_follower_that_was_killed_is_none(computer, place):
    place.keep_state({})
    look(computer, place, standing())
    found = look_at_now(computer.config(), place, this_computer(), MIDNIGHT)
    assert (found.is_followed, found.exit_code) == (False, ExitCode.SOMETHING_UNPROVEN)
    assert "was it killed?" in found.troubles[0]
    ended = replace(standing(), ended_utc=told(MIDNIGHT), why_ended="its time has come")
    with place.alone():
        place.keep_state(ended.as_json())
    closed = look_at_now(computer.config(), place, this_computer(), MIDNIGHT)
    assert (closed.exit_code, closed.troubles) == (ExitCode.PROVEN, ())
    assert "READ ME FIRST.txt on the drive says how" in computer.command("now").out
    with place.alone():
        place.keep_state(replace(ended, why_ended="it was told to end").as_json())
    stopped = look_at_now(computer.config(), place, this_computer(), MIDNIGHT)
    assert "it was told to end" in stopped.troubles[0]


def test_where_nothing_was_followed_it_says_how_to_begin(computer):
    ran = computer.command("now")
    assert (ran.exit, ran.err) == (1, "")
    assert "nightferry send --follow" in ran.out


def test_the_command_says_it_in_lines_and_in_json(computer, place):
    with place.alone():
        place.keep_state(standing(last_frame_utc=told(MIDNIGHT), usual_gap_s=120.0).as_json())
        ran = computer.command("now")
        assert (
            "Night of 2026-03-14: 10 frames and 2 other files (600.0 MB) proven on 'Field stick'." in ran.out
        )
        document = computer.command("now", "--json").document
    assert (document["followed"], document["proven"], document["exit"]) == (True, 12, ran.exit)


@pytest.mark.parametrize(
    ("bytes_so_far", "told_as"),
    [(1000, ": more than 1,000 nights like this"), (10**15, "Room left:")],
    ids=["one small file", "a night larger than the drive"],
)
def test_the_room_left_is_told_in_nights_that_mean_something(computer, place, stick, bytes_so_far, told_as):
    with place.alone():
        place.keep_state(standing(proven_bytes=bytes_so_far, places=(str(stick),)).as_json())
        assert told_as in computer.command("now").out


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    ),
    st.sampled_from(sorted(Standing.__dataclass_fields__)),
)
def test_what_was_kept_damaged_or_by_another_version_is_refused_or_usable(value, name):
    document = json.loads(json.dumps(standing().as_json()))
    read = standing_from({**document, name: value})
    if read is not None:
        missing_since(read, dark_hours(date(2026, 3, 14), SITE), MIDNIGHT)
    assert standing_from(document) == standing()
