"""Several drives are worked on at once, and none holds up or ends another's night."""

import errno
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from transfer.errors import DoesNotFit, DriveFailed, NotThere, StoppedEarly, Unforeseen
from transfer.jobs.send import beside as room
from transfer.jobs.send.beside import beside
from transfer.jobs.send.drive_night import DriveNight
from transfer.stop import Stop


def night(name):
    return DriveNight(SimpleNamespace(name=name, root=Path(name)), plan=None)


def test_they_are_worked_on_at_the_same_time():
    both = threading.Barrier(2, timeout=20)
    nights = [night("stick"), night("card")]
    beside(nights, lambda _: both.wait(), Stop())
    assert [each.failure for each in nights] == [None, None]


@pytest.mark.parametrize(
    ("raised", "kind"),
    [
        (OSError(errno.EIO, "Input/output error"), DriveFailed),
        (OSError(errno.ENODEV, "No such device"), DriveFailed),
        (OSError(errno.ENOSPC, "No space left on device"), DoesNotFit),
        (OSError(errno.EROFS, "Read-only file system"), DriveFailed),
        (NotThere("gone"), NotThere),
        (KeyError("something nobody thought of"), Unforeseen),
    ],
)
def test_what_one_raises_ends_its_own_night_only(raised, kind):
    nights = [night("stick"), night("card")]

    def act(each):
        if each is nights[0]:
            raise raised

    beside(nights, act, Stop())
    assert isinstance(nights[0].failure, kind)
    assert nights[1].failure is None


def test_one_that_has_failed_is_left_alone():
    failed = night("stick")
    failed.failure = DriveFailed("before")
    beside([failed], lambda _: pytest.fail("it was worked on"), Stop())


def test_one_that_hangs_when_the_run_has_to_end_is_left_behind(monkeypatch):
    monkeypatch.setattr(room, "_LOOK_S", 0.01)
    let_go = threading.Event()
    nights = [night("stick"), night("card")]
    stop = Stop()
    stop.ask("a test's own reason")
    beside(nights, lambda each: each is nights[0] and let_go.wait(), stop, patience_s=0.05)
    let_go.set()
    assert isinstance(nights[0].failure, StoppedEarly)
    assert "a test's own reason" in nights[0].failure.happened
    assert (nights[0].hangs, nights[1].hangs, nights[1].failure) == (True, False, None)
