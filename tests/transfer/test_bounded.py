"""A job gives its caller the thread back, whatever holds the job's own."""

import threading

import pytest

from transfer.bounded import run_bounded
from transfer.stop import Stop


def never():
    raise AssertionError("asked how things stand though the job ended")


def test_a_job_that_ends_gives_its_result():
    assert run_bounded(lambda: 6, never, Stop()) == (6, False)


def test_a_job_that_ends_late_but_within_its_grace_gives_its_result():
    stop = Stop(0)
    assert run_bounded(lambda: 6, never, stop) == (6, False)


def test_what_a_job_raises_is_raised():
    with pytest.raises(KeyError, match="fault"):
        run_bounded(lambda: {}["fault"], never, Stop())


def test_a_job_that_hangs_after_it_was_told_to_end_is_left_behind():
    let_go = threading.Event()
    stop = Stop()
    stop.ask("a test's own reason")
    assert run_bounded(let_go.wait, lambda: "as it stands", stop, grace_s=0.1) == ("as it stands", True)
    let_go.set()
