"""When the sources are looked at again, with the system's reports and without them."""

import sys

import pytest

from tests.support.followers import wait_for
from transfer.engine.changes import Changes


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def unreported(monkeypatch):
    """Have no watchdog, as where it is not installed."""
    monkeypatch.setitem(sys.modules, "watchdog", None)
    monkeypatch.setitem(sys.modules, "watchdog.observers", None)


def looked(changes, took_s=0.001):
    assert changes.is_time(None)
    changes.looked(took_s)


def test_without_reports_the_folders_are_looked_at_every_15_seconds(tmp_path, clock, unreported):
    changes = Changes([tmp_path], clock=clock)
    looked(changes)
    clock.now += 14.9
    assert not changes.is_time(None)
    clock.now += 0.2
    assert changes.is_time(None)
    changes.close()


def test_a_look_takes_no_more_than_a_hundredth_of_a_processor(tmp_path, clock, unreported):
    changes = Changes([tmp_path], clock=clock)
    looked(changes, took_s=2.0)
    clock.now += 199
    assert not changes.is_time(None)
    assert not changes.is_time(clock.now - 100)
    clock.now += 2
    assert changes.is_time(None)
    changes.close()


def test_a_file_that_may_be_whole_is_looked_at_when_its_time_has_come(tmp_path, clock, unreported):
    changes = Changes([tmp_path], clock=clock)
    looked(changes)
    assert not changes.is_time(clock.now + 3)
    clock.now += 3
    assert changes.is_time(clock.now)
    changes.close()


def test_what_the_system_reports_is_looked_at_and_reading_is_nothing(tmp_path, clock):
    pytest.importorskip("watchdog")
    (tmp_path / "frame").write_bytes(b"a frame")
    changes = Changes([tmp_path], clock=clock)
    looked(changes)
    (tmp_path / "frame").read_bytes()
    clock.now += 60
    assert not changes.is_time(None)
    (tmp_path / "new").write_bytes(b"another")
    wait_for(lambda: changes.is_time(None), "the new file is reported")
    changes.looked(0.001)
    changes.close()


def test_a_folder_that_comes_later_is_reported_once_it_is_there(tmp_path, clock):
    pytest.importorskip("watchdog")
    later = tmp_path / "later"
    changes = Changes([later], clock=clock)
    looked(changes)
    later.mkdir()
    clock.now += 16
    looked(changes)
    (later / "new").write_bytes(b"a frame")
    clock.now += 2
    wait_for(lambda: changes.is_time(None), "the new file is reported")
    changes.close()
