"""One bar over a whole run, in bytes, with its phase, the time left and the file; 80 columns hold it."""

import io
import re

import pytest

from transfer.cli.progress import Progress
from transfer.events import BytesDone, FileBegan, Phase, PhaseBegan, PhaseEnded, WorkFound

WHAT = "2026-03-14 on Field stick"
LONG = "M 51/Ha/2026-03-14/a very long name of a folder/light_M 51_Ha_0001_600s_and_more.fits"


class Terminal(io.StringIO):
    def isatty(self):
        return True

    def fileno(self):
        raise io.UnsupportedOperation


@pytest.fixture(params=[80, 120])
def columns(request, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(request.param))
    monkeypatch.setenv("LINES", "24")
    return request.param


def drawn(monkeypatch, *events):
    """Return the states of the one line that a terminal has seen."""
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in events:
            progress(event)
    return [line for line in re.split(r"[\r\n]", terminal.getvalue()) if line.strip()]


def test_all_phases_of_a_run_are_one_bar(monkeypatch):
    lines = drawn(
        monkeypatch,
        WorkFound(300),
        PhaseBegan(Phase.COPYING, WHAT, 100),
        BytesDone(Phase.COPYING, WHAT, 100),
        PhaseBegan(Phase.FLUSHING, WHAT, 100),
        BytesDone(Phase.FLUSHING, WHAT, 100),
        PhaseEnded(Phase.FLUSHING, WHAT),
        PhaseBegan(Phase.READING_BACK, WHAT, 100),
        BytesDone(Phase.READING_BACK, WHAT, 100),
    )
    assert [next(line for line in lines if line.startswith(word)) for word in ("copying", "flushing")]
    assert lines[-1].startswith("reading back100% |")
    assert "300/300" in lines[-1]
    assert "left" in lines[-1]


def test_what_is_carried_again_makes_the_whole_longer_and_never_more_than_all(monkeypatch):
    lines = drawn(monkeypatch, WorkFound(100), *[BytesDone(Phase.COPYING, WHAT, 60)] * 3, WorkFound(-500))
    assert "180/180" in lines[-1]
    assert "100%" in lines[-1]


def test_the_current_file_has_what_room_is_left_and_pushes_nothing_off(monkeypatch, columns):
    lines = drawn(
        monkeypatch,
        WorkFound(30_000_000_000),
        PhaseBegan(Phase.COPYING, WHAT, 10),
        FileBegan(LONG),
        BytesDone(Phase.COPYING, WHAT, 12_345_678_901),
        PhaseBegan(Phase.FLUSHING, WHAT, 10),
        PhaseBegan(Phase.READING_BACK, WHAT, 10),
    )
    assert "light" not in lines[-1]
    with_file = [line for line in lines if "light_M 51_Ha" in line]
    assert with_file
    for line in lines:
        assert len(line) <= columns
    for line in with_file:
        assert "12.3G/30.0G" in line
        assert "left" in line


def test_what_a_file_is_called_does_nothing_to_the_terminal(monkeypatch):
    lines = drawn(
        monkeypatch, WorkFound(10), FileBegan("two\x1b[31m\nlines"), BytesDone(Phase.COPYING, WHAT, 5)
    )
    assert not any("\x1b[31m" in line for line in lines)


def test_nothing_is_drawn_where_it_is_piped(monkeypatch):
    monkeypatch.setattr("sys.stderr", stream := io.StringIO())
    with Progress(shown=True) as progress:
        progress(WorkFound(10))
        progress(BytesDone(Phase.COPYING, WHAT, 5))
    assert stream.getvalue() == ""
