"""Progress is for a terminal, and nothing that happens to the terminal ends a night."""

import io
import re

import pytest

from transfer.cli.progress import Progress
from transfer.events import (
    Ahead,
    BytesDone,
    CountBegan,
    CountDone,
    FileBegan,
    Phase,
    PhaseBegan,
    PhaseEnded,
    Skipped,
)


class Terminal(io.StringIO):
    def isatty(self):
        return True


GB = 1_000_000_000
WHAT = "2026-03-14 on Field stick"
FILE = "frames/Sh2-101/a very long folder's name/2026-03-14/light_Ha_600s_0042.fits"


def events(what="2026-03-14"):
    return [
        PhaseBegan(Phase.CHECKING, what, 10),
        BytesDone(Phase.CHECKING, what, 10),
        PhaseEnded(Phase.CHECKING, what),
    ]


def a_run(written=lambda: None, size=3 * GB, file=FILE):
    """Return the events of a run that has handed over half of what it carries."""
    return [
        Ahead(size, size, 10e6, 20e6, written),
        PhaseBegan(Phase.COPYING, WHAT, size),
        FileBegan(Phase.COPYING, file),
        BytesDone(Phase.COPYING, WHAT, size // 2),
    ]


def shown(monkeypatch, run, columns):
    """Return every state of the lines that are drawn of a run on a terminal of so many columns."""
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in run:
            progress(event)
            progress.tick()
    return [line for line in re.split(r"[\r\n]|\x1b\[A", terminal.getvalue()) if line.strip()]


def test_a_terminal_sees_what_is_done_and_on_what(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in events():
            progress(event)
    assert "checking 2026-03-14" in terminal.getvalue()
    assert "100%" in terminal.getvalue()


def test_what_is_counted_is_shown_as_a_count(monkeypatch):
    run = [
        CountBegan(Phase.PAGES, 2),
        CountDone(Phase.PAGES),
        CountDone(Phase.PAGES),
        PhaseEnded(Phase.PAGES, ""),
    ]
    last = shown(monkeypatch, run, 80)[-1]
    assert last.startswith("pages: 100%")
    assert "| 2/2 [" in last


def test_nothing_is_shown_where_output_is_piped_or_json_is_asked_for(monkeypatch):
    for stream, wanted in ((io.StringIO(), True), (Terminal(), False)):
        monkeypatch.setattr("sys.stderr", stream)
        with Progress(shown=wanted) as progress:
            for event in [*events(), *a_run()]:
                progress(event)
        assert stream.getvalue() == ""


def test_one_bar_is_over_copying_flushing_and_reading_back(monkeypatch):
    run = [
        *a_run(),
        BytesDone(Phase.COPYING, WHAT, 3 * GB // 2),
        PhaseBegan(Phase.FLUSHING, WHAT, 3 * GB),
        PhaseEnded(Phase.FLUSHING, WHAT),
        PhaseEnded(Phase.COPYING, WHAT),
        PhaseBegan(Phase.READING_BACK, WHAT, 3 * GB),
        BytesDone(Phase.READING_BACK, WHAT, 3 * GB),
        PhaseEnded(Phase.READING_BACK, WHAT),
    ]
    lines = shown(monkeypatch, run, 80)
    parts = [int(line[:20].partition("%")[0].split()[-1]) for line in lines]
    assert parts == sorted(parts)
    assert {0, 25, 50, 100} <= set(parts)
    assert any(line.startswith("reading back  50% |") for line in lines)
    assert lines[-1].startswith("100% |")
    assert "3.0 GB copied, 3.0 GB read back" in lines[-1]


@pytest.mark.parametrize("columns", [80, 120])
@pytest.mark.parametrize("size", [4, 3 * GB, 999 * GB])
def test_nothing_is_pushed_off_the_screen(monkeypatch, columns, size):
    taken = iter([0, size // 4] + [size // 2] * 99)
    lines = shown(monkeypatch, a_run(lambda: next(taken), size), columns)
    assert max(map(len, lines)) <= columns
    told = [line for line in lines if line.startswith("copying")]
    assert told
    assert all(line.count("|") == 2 and " copied, " in line and " left" in line for line in told)


def test_the_file_gets_what_room_is_left(monkeypatch):
    narrow, wide = (shown(monkeypatch, a_run(), columns)[-3] for columns in (80, 160))
    assert narrow.rstrip().endswith("0042.fits")
    assert wide.rstrip().endswith("  " + FILE)
    assert "fits" not in shown(monkeypatch, a_run(), 60)[-3]


def test_the_name_of_a_file_is_shown_as_it_is_and_moves_no_cursor(monkeypatch):
    lines = shown(monkeypatch, a_run(file="frames/{bar}\x1b[2J{0}.fits"), 160)
    assert "frames/{bar}\\x1b[2J{0}.fits" in lines[-3]


def test_a_terminal_without_room_for_a_bar_ends_no_run(monkeypatch):
    lines = shown(monkeypatch, a_run(), 20)
    assert max(map(len, lines)) <= 20


def test_a_flush_moves_while_nothing_is_reported(monkeypatch):
    taken = iter(range(0, 3 * GB, GB // 10))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in [*a_run(lambda: next(taken)), PhaseBegan(Phase.FLUSHING, WHAT, GB)]:
            progress(event)
        before = terminal.getvalue()
        progress.tick()
        progress.tick()
    seen = [line.partition("|")[0] for line in terminal.getvalue().removeprefix(before).split("\r") if line]
    assert len(set(seen[:2])) == 2


def test_a_run_with_nothing_to_carry_has_no_bar(monkeypatch):
    assert shown(monkeypatch, [Ahead(0, 0, 1.0, 1.0, lambda: None)], 80) == []


@pytest.mark.parametrize("columns", [80, 120])
def test_a_long_path_leaves_a_bar_of_its_own_its_room(monkeypatch, columns):
    path = "/media/observer/Field stick with a very long name/and/folders/below/it/2026-03-14"
    run = [PhaseBegan(Phase.CHECKING, path, 999 * GB), BytesDone(Phase.CHECKING, path, 500 * GB)]
    line = shown(monkeypatch, run, columns)[-1]
    assert len(line) <= columns
    assert "2026-03-14:  50%|" in line
    assert "500G/999G [" in line
    assert "B/s]" in line


def test_what_is_compared_file_by_file_has_one_bar(monkeypatch):
    compared = [
        event
        for number in range(10)
        for event in (
            PhaseBegan(Phase.COMPARING, f"frames/{number}.fits", 10),
            BytesDone(Phase.COMPARING, f"frames/{number}.fits", 10),
            PhaseEnded(Phase.COMPARING, f"frames/{number}.fits"),
        )
    ]
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in [*compared, *a_run()]:
            progress(event)
    bars = terminal.getvalue().split("\n")
    assert sum("comparing" in bar for bar in bars) == 1
    assert "100/100" in bars[0]


def test_more_than_was_listed_keeps_the_bar_whole(monkeypatch):
    run = [PhaseBegan(Phase.CHECKING, "a", GB), BytesDone(Phase.CHECKING, "a", 2 * GB)]
    assert "100%|" in shown(monkeypatch, run, 80)[-1]


def test_two_drives_of_one_name_do_not_end_the_run(monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    both = PhaseEnded(Phase.COPYING, WHAT)
    for run in (
        [*events()[:2], *events()[:2], *events()[2:], *events()[1:]],
        [*a_run(), *a_run(), both, both],
    ):
        with Progress(shown=True) as progress:
            for event in run:
                progress(event)


def test_a_terminal_that_goes_does_not_end_the_run(monkeypatch):
    for run in (events(), a_run()):
        monkeypatch.setattr("sys.stderr", terminal := Terminal())
        with Progress(shown=True) as progress:
            progress(run[0])
            terminal.close()
            for event in run[1:]:
                progress(event)
            progress.tick()


def test_what_was_skipped_is_told_in_one_line_also_where_nobody_watches(monkeypatch):
    monkeypatch.setattr("sys.stderr", stream := io.StringIO())
    with Progress(shown=False) as progress:
        progress(Skipped("/media/\x1b[31mstick/nightferry-drive.toml", "is not the mark of a drive"))
    line = stream.getvalue()
    assert line.endswith("stick/nightferry-drive.toml is not the mark of a drive: skipped.\n")
    assert "\x1b" not in line


def on_the_screen(written):
    """Return the lines that a terminal shows after what was written to it."""
    lines, row, column = [""], 0, 0
    for part in re.findall(r"\x1b\[A|[\r\n]|[^\r\n\x1b]+", written):
        if part == "\x1b[A":
            row -= 1
        elif part == "\r":
            column = 0
        elif part == "\n":
            row, column = row + 1, 0
            lines += [""] * (row + 1 - len(lines))
        else:
            lines[row] = lines[row][:column].ljust(column) + part + lines[row][column + len(part) :]
            column += len(part)
    return [line.rstrip() for line in lines], row


def test_what_is_said_after_a_run_begins_on_a_line_of_its_own(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in [*a_run(), PhaseBegan(Phase.FLUSHING, WHAT, GB)]:
            progress(event)
        progress.tick()
    lines, row = on_the_screen(terminal.getvalue())
    assert lines[row] == ""
    assert "copied" in lines[row - 1]
    progress.tick()
    assert on_the_screen(terminal.getvalue()) == (lines, row)


def test_a_thread_that_reports_after_the_end_draws_nothing(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        pass
    progress(events()[0])
    assert terminal.getvalue() == ""
