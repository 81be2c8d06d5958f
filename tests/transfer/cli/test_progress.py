"""Progress is for a terminal, and nothing that happens to the terminal ends a night."""

import io

from transfer.cli.progress import Progress
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded


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
