"""How far a run has come is told in bytes, moves with the device while it flushes, and never claims more."""

import pytest

from transfer.cli.course import Course
from transfer.events import Ahead, BytesDone, FileBegan, Phase, PhaseBegan, PhaseEnded

MB = 1_000_000
NIGHT = "2026-03-14 on Field stick"


class Run:
    """A run that is made up event by event, with a clock and a device's counter of its own."""

    def __init__(self, write=100 * MB, read=100 * MB, counts=True, rate=10 * MB):
        self.now_s, self.counts, self.device = 0.0, counts, 0
        self.ahead = Ahead(write, read, rate, 2 * rate, lambda: self.device if self.counts else None)
        self.course = Course(self.ahead, lambda: self.now_s)

    def begin(self, phase, size):
        self.course.take(PhaseBegan(phase, NIGHT, size))

    def end(self, phase):
        self.course.take(PhaseEnded(phase, NIGHT))

    def bytes(self, phase, size):
        self.course.take(BytesDone(phase, NIGHT, size))

    def after(self, seconds, device=0):
        """Let time pass, in which the device writes so much, and look."""
        for _ in range(int(seconds)):
            self.now_s += 1
            self.device += device // int(seconds)
            self.course.look()
        return self.course.told()

    def copied(self):
        self.begin(Phase.COPYING, 100 * MB)
        self.bytes(Phase.COPYING, 100 * MB)
        self.begin(Phase.FLUSHING, 100 * MB)
        return self


def test_a_flush_moves_with_what_the_device_takes():
    run = Run().copied()
    assert run.after(2, 20 * MB).startswith("20.0 of 100.0 MB copied")
    assert run.course.phase is Phase.FLUSHING
    assert run.after(4, 40 * MB).startswith("60.0 of 100.0 MB copied")
    assert run.course.part_done == pytest.approx(0.3)


def test_what_waits_in_memory_is_not_told_as_copied_where_a_device_counts():
    run = Run()
    run.begin(Phase.COPYING, 100 * MB)
    run.bytes(Phase.COPYING, 90 * MB)
    assert run.after(1, 5 * MB).startswith("5.0 of 100.0 MB copied")


def test_what_a_device_writes_for_others_is_not_told_as_copied():
    run = Run()
    run.begin(Phase.COPYING, 100 * MB)
    run.bytes(Phase.COPYING, 10 * MB)
    assert run.after(1, 500 * MB).startswith("10.0 of 100.0 MB copied")


def test_a_flush_that_has_ended_counts_whatever_the_device_said():
    run = Run().copied()
    run.after(2, 20 * MB)
    run.end(Phase.FLUSHING)
    assert run.after(1).startswith("100.0 of 100.0 MB copied")


def test_where_nothing_counts_a_flush_tells_how_long_it_takes():
    run = Run(counts=False).copied()
    assert run.after(12) == "100.0 of 100.0 MB copied, flushing for 12 s"


def test_the_time_left_follows_what_was_expected_at_first_and_then_what_is_done():
    run = Run()
    run.begin(Phase.COPYING, 100 * MB)
    assert run.course.told().endswith("15 s left")  # 100 MB at 10 MB/s, and at 20 MB/s
    for _ in range(60):
        run.bytes(Phase.COPYING, MB)
        run.after(1, MB)
    # 40 MB at 1 MB/s, and 100 MB at 20 MB/s: the drive is ten times as slow as expected.
    words = run.course.told().split()
    assert words[-2:] == ["s", "left"]
    assert 40 <= int(words[-3]) <= 45
    run = Run(write=3600 * MB, read=0)
    assert run.course.told().endswith("6 min left")
    run = Run(write=36_000_000 * MB, read=0)
    assert run.course.told().endswith("1000 h left")
    run = Run(write=48_000 * MB, read=0)
    assert run.course.told().endswith("1 h 20 min left")


def test_reading_back_is_half_of_the_way():
    run = Run().copied()
    run.after(10, 100 * MB)
    run.end(Phase.FLUSHING)
    run.end(Phase.COPYING)
    assert run.course.part_done == pytest.approx(0.5)
    run.begin(Phase.READING_BACK, 100 * MB)
    run.bytes(Phase.READING_BACK, 25 * MB)
    run.course.look()
    assert run.course.told().startswith("25.0 of 100.0 MB read back")
    assert run.course.part_done == pytest.approx(0.625)


def test_what_has_to_be_carried_again_comes_on_top():
    run = Run(counts=False).copied()
    run.end(Phase.FLUSHING)
    run.end(Phase.COPYING)
    run.begin(Phase.READING_BACK, 100 * MB)
    run.bytes(Phase.READING_BACK, 100 * MB)
    run.end(Phase.READING_BACK)
    run.begin(Phase.COPYING, 10 * MB)
    run.course.look()
    assert run.course.told().startswith("100.0 of 110.0 MB copied")
    assert run.course.part_done < 1
    run.course.take(run.ahead)  # what is reported anew knows nothing of it
    assert run.course.told().startswith("100.0 of 110.0 MB copied")


def test_nights_that_turn_out_to_stay_behind_shorten_the_way():
    run = Run()
    run.course.take(run.ahead._replace(write_bytes=50 * MB, read_bytes=50 * MB))
    run.begin(Phase.COPYING, 50 * MB)
    assert run.course.told().startswith("0 bytes of 50.0 MB copied")


def test_the_current_file_is_known_and_none_while_a_flush_holds_all_up():
    run = Run()
    run.begin(Phase.COPYING, 100 * MB)
    run.course.take(FileBegan(Phase.COPYING, "frames/light_000.fits"))
    run.course.look()
    assert run.course.file == "frames/light_000.fits"
    run.copied().after(2, 1 * MB)
    assert run.course.file == ""


def test_the_last_line_says_what_was_done():
    run = Run().copied()
    run.after(10, 100 * MB)
    run.end(Phase.FLUSHING)
    run.begin(Phase.READING_BACK, 100 * MB)
    run.bytes(Phase.READING_BACK, 25 * MB)
    run.after(80)
    assert run.course.told_at_the_end() == "100.0 MB copied, 25.0 MB read back, 2 min"
