"""Which files are whole while the night runs: their rest, their length, and who has them open."""

import os

import pytest

from tests.support.nights import EVENING_NS, Computer, fits, noise
from transfer.engine.medium import this_computer
from transfer.jobs.send.whole import WholeFiles


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


class Night:
    """Sources that are looked at by a clock of the test's own; a frame rests for 20 seconds."""

    def __init__(self, root, medium=None):
        self.computer = Computer(root / "night")
        self.clock = Clock()
        self.whole = WholeFiles(self.computer.config(), medium or this_computer(), 20.0, self.clock)

    def look(self, after_s=0.0):
        self.clock.now += after_s
        return [file.path for file in self.whole.only_whole(self.whole.look(()))]


@pytest.fixture
def night(tmp_path):
    return Night(tmp_path)


def test_a_frame_is_whole_once_it_has_rested_and_stays_so_until_it_is_done(night):
    night.computer.frame("light.fits")
    assert night.look() == []
    assert night.look(19) == []
    assert night.look(1) == ["light.fits"]
    assert night.look(5) == ["light.fits"]
    for file in night.whole.look(()):
        night.whole.mark_done(file)
    assert night.look(100) == []
    night.whole.begin_anew()
    assert night.look() == ["light.fits"]


def test_a_frame_that_changed_rests_anew(night):
    path = night.computer.frame("light.fits")
    night.look()
    night.look(15)
    path.write_bytes(fits(data=noise(3000)))
    assert night.look(15) == []
    assert night.look(19) == []
    assert night.look(1) == ["light.fits"]


def test_a_clock_of_files_that_jumps_makes_no_file_rest(night):
    path = night.computer.frame("light.fits")
    os.utime(path, ns=(EVENING_NS, EVENING_NS - 3600 * 10**9))  # it seems an hour old when it is first seen
    assert night.look() == []
    assert night.look(20) == ["light.fits"]


def test_a_log_rests_thirty_times_as_long(night):
    night.computer.log("mount.log")
    night.look()
    assert night.look(599) == []
    assert night.look(1) == ["mount.log"]


@pytest.mark.parametrize(
    "content", [fits(data=noise(9000))[:-2881], fits()[:2879], bytes(28_800), b"", b"SIMPLE  =" + bytes(5000)]
)
def test_a_frame_of_the_wrong_length_never_is(night, content):
    night.computer.frame("light.fits", content)
    for _ in range(12):
        assert night.look(600) == []


def test_a_frame_that_another_program_has_open_is_not_whole(night):
    path = night.computer.frame("light.fits")
    before = path.stat()
    with path.open("r+b"):
        night.look()
        assert night.look(20) == []
        assert night.look(60) == []
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    night.look()
    assert night.look(2000) == ["light.fits"]


class Unknowing(type(this_computer())):
    """A system that does not say who has a file open."""

    def is_being_written(self, descriptor):
        return None


def test_where_the_system_does_not_say_who_has_it_open_it_rests_longer(tmp_path):
    night = Night(tmp_path, Unknowing())
    night.computer.frame("light.fits")
    night.look()
    assert night.look(20) == []
    assert night.look(99) == []
    assert night.look(1) == ["light.fits"]


def test_the_next_look_is_when_the_next_file_may_be_whole(night):
    assert night.whole.next_s() is None
    night.computer.frame("first.fits")
    night.look()
    night.computer.frame("second.fits")
    night.look(5)
    assert night.whole.next_s() == night.clock.now + 15
    assert night.look(15) == ["first.fits"]
    assert night.whole.next_s() == night.clock.now + 5


def test_nothing_is_opened_before_somebody_asks_whether_it_is_whole(tmp_path):
    opened = []

    class Watched(type(this_computer())):
        def open_source(self, path):
            opened.append(path)
            return super().open_source(path)

    night = Night(tmp_path, Watched())
    night.computer.frame("light.fits")
    night.whole.look(())
    night.clock.now += 20
    assert [file.path for file in night.whole.look(())] == ["light.fits"]
    assert opened == []
    assert night.look() == ["light.fits"]
    assert night.look() == ["light.fits"]
    assert len(opened) == 1  # and not again, as long as it stays as it is


def test_what_vanished_is_forgotten(night):
    path = night.computer.frame("light.fits")
    night.look()
    path.unlink()
    assert night.look(20) == []
    assert night.whole.next_s() is None
