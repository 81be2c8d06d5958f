"""A run is asked to end by a clock or by somebody, and says why."""

from transfer.stop import Stop


class Clock:
    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


def test_without_a_limit_a_run_may_go_on_for_ever():
    stop = Stop()
    assert (stop.why, stop.signalled, stop.left_s(), stop.limit_s) == ("", False, float("inf"), float("inf"))


def test_a_limit_counts_from_the_beginning():
    clock = Clock()
    stop = Stop(30, clock)
    clock.now_s += 29
    assert (stop.why, stop.left_s()) == ("", 1)
    clock.now_s += 1
    assert (stop.why, stop.signalled) == ("the time limit was reached", False)


def test_the_first_who_asks_is_the_reason():
    stop = Stop(0)
    stop.ask("signal SIGTERM")
    stop.ask("signal SIGINT")
    assert (stop.why, stop.signalled) == ("signal SIGTERM", True)


def test_a_pause_ends_when_somebody_asks():
    stop = Stop()
    stop.ask("signal SIGTERM")
    stop.pause(1e6)


def test_there_is_patience_with_a_slow_drive_until_the_limit_and_less_when_somebody_asked():
    clock = Clock()
    stop = Stop(1000, clock)
    assert stop.has_patience(200)
    assert not stop.has_patience(301)
    stop.ask("signal SIGTERM")
    assert stop.has_patience(20)
    assert not stop.has_patience(46)
    clock.now_s += 1000
    assert not stop.has_patience(0)


def test_without_a_rate_nothing_waits():
    stop = Stop()
    stop.pause = None  # a call would fail
    stop.pace(1 << 40)


def test_a_rate_is_kept_on_the_whole_and_a_slow_reader_is_not_held_up_further():
    clock, pauses = Clock(), []

    class Timed(Stop):
        def pause(self, seconds):
            pauses.append(seconds)
            clock.now_s += max(seconds, 0)

    stop = Timed(clock=clock, bytes_per_s=100)
    stop.pace(50)
    clock.now_s += 0.25  # what the reader itself takes counts
    stop.pace(50)
    clock.now_s += 60  # a long wait for the next file is no credit for a burst
    stop.pace(50)
    assert pauses == [0.5, 0.5, 0.5]


def test_a_run_that_has_to_hurry_waits_for_no_rate_any_more():
    stop = Stop(bytes_per_s=1.0)
    stop.hurry()
    stop.pace(10**9)  # at its rate this would take thirty years
    assert not stop.why


def paces(stop):
    """Return how long a read of 1,000 bytes pauses."""
    pauses = []
    stop.pause = pauses.append
    stop.pace(1000)
    return pauses[0] if pauses else 0


def test_an_elastic_rate_grows_with_what_waits_up_to_four_times():
    clock = Clock()
    stop = Stop(clock=clock, bytes_per_s=100, elastic=True)
    for waiting_bytes, pause_s in ((0, 10), (2000, 10), (4000, 5), (10**9, 2.5), (0, 10)):
        clock.now_s += 1000
        stop.keep_up_with(waiting_bytes)
        assert paces(stop) == pause_s


def test_a_rate_that_a_person_names_is_kept_and_a_hurry_outlives_what_comes_after():
    clock = Clock()
    stop = Stop(clock=clock, bytes_per_s=100)
    stop.keep_up_with(10**9)
    assert paces(stop) == 10
    stop = Stop(clock=clock, bytes_per_s=100, elastic=True)
    stop.hurry()
    stop.keep_up_with(0)
    assert paces(stop) == 0


def test_it_is_known_for_how_long_nothing_was_read():
    clock = Clock()
    stop = Stop(clock=clock)
    clock.now_s += 50
    assert stop.still_s() == 50
    stop.pace(1)
    clock.now_s += 7
    assert stop.still_s() == 7
    stop.hurry()
    assert stop.still_s() == 0
