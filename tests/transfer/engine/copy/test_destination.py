"""Several destinations are worked on at once, and none holds up or ends another's work."""

import threading
from pathlib import Path

import pytest

from transfer.engine.copy import destination as room
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.copy.troubles import OF_A_DRIVE
from transfer.errors import DriveFailed, NotThere, StoppedEarly, Unforeseen
from transfer.stop import Stop


def two():
    return [Destination(Path(name), explain) for name in ("stick", "card")]


def explain(error):
    return DriveFailed(f"explained: {error.strerror}")


def test_they_are_worked_on_at_the_same_time():
    both = threading.Barrier(2, timeout=20)
    destinations = two()
    beside(dict.fromkeys(destinations, both.wait), Stop())
    assert [each.failure for each in destinations] == [None, None]


@pytest.mark.parametrize(
    ("raised", "kind", "words"),
    [
        (OSError(5, "Input/output error"), DriveFailed, "explained: Input/output error"),
        (NotThere("gone"), NotThere, "gone"),
        (KeyError("something nobody thought of"), Unforeseen, "KeyError"),
    ],
)
def test_what_one_raises_ends_its_own_work_only(raised, kind, words):
    def fail():
        raise raised

    done = []
    stick, card = two()
    beside({stick: fail, card: lambda: done.append("card")}, Stop())
    assert isinstance(stick.failure, kind)
    assert words in stick.failure.happened
    assert (card.failure, done) == (None, ["card"])


def test_one_that_has_failed_is_left_alone_and_its_first_error_stays():
    stick, _ = two()
    stick.fail(DriveFailed("before"))
    beside({stick: lambda: pytest.fail("it was worked on")}, Stop())
    stick.fail(DriveFailed("after"))
    assert stick.failure.happened == "before"


def test_one_that_hangs_when_the_run_has_to_end_is_left_behind(monkeypatch):
    monkeypatch.setattr(room, "_LOOK_S", 0.01)
    let_go = threading.Event()
    stick, card = two()
    stop = Stop()
    stop.ask("a test's own reason")
    beside({stick: let_go.wait, card: lambda: None}, stop, patience_s=0.05)
    let_go.set()
    assert isinstance(stick.failure, StoppedEarly)
    assert "a test's own reason" in stick.failure.happened
    assert (stick.hangs, card.hangs, card.failure) == (True, False, None)


def test_one_that_hangs_while_the_run_may_go_on_has_failed():
    stick, _ = two()
    stick.give_up_waiting(Stop())
    assert isinstance(stick.failure, DriveFailed)
    assert (stick.hangs, stick.failure.next_step) == (True, OF_A_DRIVE.hanging[1])
