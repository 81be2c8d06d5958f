"""Following by the clocks: one that is set, the end of the night, midnight, and frames that stay away."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest

from tests.support.followers import FOLLOWS_FAST, FastClock, FollowedHere, wait_for
from tests.support.nights import NIGHT, Computer, assert_valid, noise
from transfer.config import Config, Site
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.engine.standing import End, Standing
from transfer.jobs.send.follow import end_of_night
from transfer.stop import Stop

EVENING = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)


@pytest.fixture
def computer(tmp_path):
    return Computer(tmp_path / "night", more=FOLLOWS_FAST)


def test_a_clock_that_is_set_forth_and_back_stops_nothing_and_doubles_nothing(computer, stick):
    clock = FastClock(1, EVENING)
    with FollowedHere(computer, stick, clock, EVENING + timedelta(hours=10)) as followed:
        for number, jump_h in enumerate((0, 3, -5, 1)):
            clock.jump(timedelta(hours=jump_h))
            computer.frame(f"light {number}.fits", data=noise(4000, number))
            followed.says(f"light {number}.fits")
        assert followed.ended is None
        clock.jump(timedelta(hours=12))
        wait_for(lambda: followed.ended is not None, "its time comes")
    assert followed.ended is End.TIME
    assert sum("is proven" in line or "is compared" in line for line in followed.lines) == 4
    assert sorted(path.name for path in (stick / NIGHT.isoformat() / "data/frames").iterdir()) == [
        f"light {number}.fits" for number in range(4)
    ]


def test_midnight_begins_no_other_night(computer, stick):
    clock = FastClock(1, datetime(2026, 3, 14, 23, 59, tzinfo=UTC))
    with FollowedHere(computer, stick, clock, clock.now() + timedelta(hours=8)) as followed:
        computer.frame("before.fits", begun="2026-03-14T23:58:00", data=noise(4000, 1))
        followed.says("before.fits")
        clock.jump(timedelta(minutes=10))
        computer.frame("after.fits", begun="2026-03-15T00:08:00", data=noise(4000, 2))
        followed.says("after.fits")
        assert followed.follower.standing.night == "2026-03-14"
    assert [path.name for path in stick.iterdir() if path.is_dir()] == ["2026-03-14"]


def test_frames_that_stay_away_in_the_dark_are_told_once_and_again_after_one_came(computer, stick):
    clock = FastClock(600, EVENING)  # ten minutes a second
    with FollowedHere(computer, stick, clock, EVENING + timedelta(hours=9)) as followed:
        followed.says("No frame has come for")
        told = [line for line in followed.lines if "No frame" in line]
        wait_for(lambda: clock.now() > EVENING + timedelta(hours=2), "two hours")
        assert [line for line in followed.lines if "No frame" in line] == told


@pytest.mark.parametrize("counted", [False, True], ids=["Linux", "Windows"])  # from memory
def test_after_the_computer_slept_for_hours_the_night_goes_on(computer, stick, counted):
    clock = FastClock(1, EVENING)
    with FollowedHere(computer, stick, clock, EVENING + timedelta(hours=9)) as followed:
        computer.frame("before.fits", data=noise(4000, 1))
        followed.says("before.fits")
        clock.sleep(timedelta(hours=3), counted)
        computer.frame("after.fits", begun="2026-03-15T00:05:00", data=noise(4000, 2))
        followed.says("after.fits")
        assert followed.ended is None
        assert followed.follower.standing.night == "2026-03-14"
        proven = [line for line in followed.lines if "is proven" in line or "is compared" in line]
        assert len(proven) == 2
        clock.sleep(timedelta(hours=8), counted)
        wait_for(lambda: followed.ended is not None, "it ends when it wakes after its time")
    assert followed.ended is End.TIME
    assert_valid(stick / NIGHT.isoformat())


def test_a_follower_that_begins_is_not_taken_for_the_one_before_it(computer, stick):
    kept = []

    class Watched(FollowedHere):
        def _take(self, event):
            kept.append(self._place.state()["why_ended"])
            super()._take(event)

    place = MeetingPlace(computer.records, this_computer())
    (computer.records / "follow").mkdir(parents=True)
    before = Standing(7, "0", "2026-03-13T18:00:00+00:00", "2026-03-14T08:00:00+00:00")
    assert place.keep_state(replace(before, why_ended=End.TIME.value).as_json())
    with Watched(computer, stick, FastClock(1, EVENING), EVENING + timedelta(hours=9)) as followed:
        followed.says("Following until")
    assert kept[0] == ""


def test_the_rate_follows_what_waits_so_that_a_follower_catches_up(computer, stick):
    expected = []

    class Asked(Stop):
        def keep_up_with(self, waiting_bytes):
            expected.append(waiting_bytes)

    sizes = [computer.frame(f"light {n}.fits", data=noise(4000, n)).stat().st_size for n in range(3)]
    clock = FastClock(1, EVENING)
    with FollowedHere(computer, stick, clock, EVENING + timedelta(hours=9), Asked()) as followed:
        followed.says("light 2.fits")
    # Each byte is read at the source and read back: first of all files, then as ever fewer of them wait.
    assert expected == [2 * sum(sizes), *(2 * sum(sizes[n:]) for n in range(3))]


def test_by_day_no_frame_is_missed(computer, stick):
    morning = datetime(2026, 6, 14, 4, 0, tzinfo=UTC)  # a slow computer does not come to the end of the day
    clock = FastClock(900, morning)
    with FollowedHere(computer, stick, clock, morning + timedelta(hours=2)) as followed:
        wait_for(lambda: followed.ended is not None, "the end of two hours by day")
    assert not any("No frame" in line for line in followed.lines)


HERE = Site("Test Down", 51.2, -1.9)
NORTH = Site("", 78.2, 15.0)


def utc(*numbers):
    return datetime(2026, *numbers, tzinfo=UTC)


@pytest.mark.parametrize(
    ("site", "now", "end"),
    [
        # The sun rises there at 06:21 and 06:19 UTC, as PyEphem 4 computes it.
        (HERE, utc(3, 14, 16), utc(3, 15, 8, 21)),
        (HERE, utc(3, 15, 3), utc(3, 15, 8, 21)),
        (HERE, utc(3, 14, 16).astimezone(timezone(timedelta(hours=4))), utc(3, 15, 8, 21)),
        # Started in the morning it is for the next night.
        (HERE, utc(3, 15, 9), utc(3, 16, 8, 19)),
        # Without a latitude, and where the sun does not set or does not rise, at noon there.
        (Site("", None, 15.0), utc(3, 14, 16), utc(3, 15, 11)),
        (NORTH, utc(6, 20, 22), utc(6, 21, 11)),
        (NORTH, utc(12, 20, 22), utc(12, 21, 11)),
    ],
)
def test_following_ends_two_hours_after_sunrise_or_at_noon(tmp_path, site, now, end):
    found = end_of_night(Config(tmp_path / "nightferry.toml", site), now)
    assert abs(found - end) < timedelta(minutes=3)
    assert found > now
