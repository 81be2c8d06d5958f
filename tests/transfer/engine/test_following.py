"""Where a follower and the runs beside it meet: locks that die with their process, and requests."""

import threading

import pytest

from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.errors import Busy, StoppedEarly
from transfer.events import Waiting
from transfer.stop import Stop


@pytest.fixture
def place(tmp_path):
    return MeetingPlace(tmp_path / "records", this_computer())


def test_where_nobody_follows_nothing_is_taken_over_and_nothing_written(place, tmp_path):
    assert not place.take_over(Stop(), lambda _: None)
    assert list(tmp_path.iterdir()) == []


def test_a_lock_that_nobody_holds_is_none(place):
    with place.alone():
        assert place.is_followed()
    assert not place.is_followed()
    assert not place.take_over(Stop(), lambda _: None)


def test_only_one_follows(place):
    with place.alone(), pytest.raises(Busy), place.alone():
        pass


def test_a_follower_that_is_asked_lets_go_and_the_request_goes_with_it(place, tmp_path):
    told, begun = [], threading.Event()

    def follow():
        with place.alone():
            begun.set()
            while not place.is_asked_for():
                pass

    follower = threading.Thread(target=follow)
    follower.start()
    assert begun.wait(10)
    assert place.take_over(Stop(), told.append)
    follower.join(10)
    assert [type(event) for event in told] == [Waiting]
    assert not place.is_asked_for()
    assert [path.name for path in (tmp_path / "records/follow").iterdir()] == ["lock"]


class Still(Stop):
    """A run whose device has moved nothing for so long."""

    def __init__(self, seconds):
        super().__init__(bytes_per_s=1.0)
        self.seconds = seconds

    def still_s(self):
        return self.seconds


def waiting_for(place, stop, limit_s=None):
    """Have a run wait, for 6 s without a sign of work, for one that is at work for 8 s; return what came."""
    came = []

    def wait():
        try:
            came.append(place.take_over(Stop(limit_s), lambda _: None, patience_s=6.0))
        except Busy as error:
            came.append(error)

    run = threading.Thread(target=wait, daemon=True)
    with place.alone(), place.requests(stop) as asked:
        run.start()
        assert asked.wait(10)
        run.join(8.0)
    run.join(10)
    return came[0]


def test_work_that_goes_on_is_waited_for_beyond_all_patience(place):
    stop = Still(0.0)
    assert waiting_for(place, stop) is True
    assert not stop.why
    stop.pace(10**9)  # at full speed since it was asked


def test_a_device_that_moves_nothing_for_long_is_no_work(place):
    ended = waiting_for(place, Still(301.0))
    assert isinstance(ended, Busy)
    assert "does not let go" in ended.happened


def test_work_that_outlasts_the_time_limit_is_left_to_go_on(place):
    ended = waiting_for(place, Still(0.0), limit_s=4.0)
    assert isinstance(ended, Busy)
    assert "still at work" in ended.happened
    assert "kill" not in ended.next_step


def test_a_signal_ends_the_waiting_for_a_follower_as_one_and_blames_nobody(place):
    stop = Stop()
    with place.alone(), pytest.raises(StoppedEarly) as caught:
        place.take_over(stop, lambda _: stop.ask("signal SIGTERM"))
    assert "SIGTERM" in caught.value.happened


def test_one_that_does_not_answer_is_named_with_what_to_do(place):
    with place.alone():
        place.keep_state({"process": 4321, "began_utc": "2026-03-14T18:00:00+00:00"})
        with pytest.raises(Busy) as caught:
            place.take_over(Stop(), lambda _: None, patience_s=0.3)
    assert "4321" in caught.value.happened
    assert "4321" in caught.value.next_step
    assert not place.is_asked_for()


def test_one_of_another_version_that_keeps_another_state_is_waited_for_no_longer(place, tmp_path):
    with place.alone():
        (tmp_path / "records/follow/now.json").write_text('{"format": 99, "process": [1]}')
        with pytest.raises(Busy) as caught:
            place.take_over(Stop(), lambda _: None, patience_s=0.3)
    assert "does not let go" in caught.value.happened


def test_a_state_that_is_none_is_empty(place, tmp_path):
    assert place.state() == {}
    with place.alone():
        assert place.keep_state({"night": "2026-03-14"})
        assert place.state()["night"] == "2026-03-14"
        for damaged in (b"", b"[]", b"\xff", b'{"format": 2}'):
            (tmp_path / "records/follow/now.json").write_bytes(damaged)
            assert place.state() == {}
