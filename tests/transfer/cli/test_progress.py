"""Progress is for a terminal, and nothing that happens to the terminal ends a night."""

import io
import re

from transfer.cli.progress import Progress
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded, Skipped


class Terminal(io.StringIO):
    def isatty(self):
        return True


def events(what="2026-03-14 on Field stick"):
    return [
        PhaseBegan(Phase.COPYING, what, 10),
        BytesDone(Phase.COPYING, what, 10),
        PhaseEnded(Phase.COPYING, what),
    ]


def test_a_terminal_sees_what_is_done_and_on_what(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        for event in events():
            progress(event)
    assert "copying 2026-03-14 on Field stick" in terminal.getvalue()
    assert "100%" in terminal.getvalue()


def test_nothing_is_shown_where_output_is_piped_or_json_is_asked_for(monkeypatch):
    for stream, shown in ((io.StringIO(), True), (Terminal(), False)):
        monkeypatch.setattr("sys.stderr", stream)
        with Progress(shown=shown) as progress:
            for event in events():
                progress(event)
        assert stream.getvalue() == ""


def test_a_flush_that_takes_long_says_so_and_for_how_long(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    what = "2026-03-14 on Field stick"
    with Progress(shown=True) as progress:
        progress(PhaseBegan(Phase.FLUSHING, what, 512_000_000))
        progress.tick()
        assert "flushing 2026-03-14 on Field stick (512.0 MB): 00:00" in terminal.getvalue()
        progress(PhaseEnded(Phase.FLUSHING, what))
        ended = len(terminal.getvalue())
        progress.tick()
        assert len(terminal.getvalue()) == ended
    terminal.close()
    progress.tick()


def test_a_flush_that_is_soon_over_is_not_told(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        progress(PhaseBegan(Phase.FLUSHING, "a", 1))
        progress(PhaseEnded(Phase.FLUSHING, "a"))
    assert "flushing" not in terminal.getvalue()


def test_two_drives_of_one_name_do_not_end_the_run(monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    with Progress(shown=True) as progress:
        for event in [*events()[:2], *events()[:2], *events()[2:], *events()[1:]]:
            progress(event)


def test_a_terminal_that_goes_does_not_end_the_run(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        progress(events()[0])
        terminal.close()
        for event in events()[1:]:
            progress(event)


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


def test_what_is_said_after_a_run_that_ended_in_a_flush_begins_on_a_line_of_its_own(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    what = "2026-03-14 on Field stick"
    with Progress(shown=True) as progress:
        for event in [*events(what)[:2], PhaseBegan(Phase.FLUSHING, what, 512_000_000)]:
            progress(event)
        progress.tick()
        assert any("flushing" in line for line in on_the_screen(terminal.getvalue())[0])
    lines, row = on_the_screen(terminal.getvalue())
    assert lines[row] == ""
    assert not any("flushing" in line for line in lines)
    assert "copying" in lines[row - 1]


def test_a_thread_that_reports_after_the_end_draws_nothing(monkeypatch):
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    with Progress(shown=True) as progress:
        pass
    progress(events()[0])
    assert terminal.getvalue() == ""
