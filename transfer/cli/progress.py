"""What a run shows while it works: bars on a terminal, nothing where it is piped or asked for JSON."""

from __future__ import annotations

import sys
import threading
import time
from contextlib import suppress
from types import TracebackType
from typing import Any, Self

from transfer.cli.course import Course
from transfer.cli.screen import Screen, columns_of, last_columns, screen_of
from transfer.events import (
    Ahead,
    BytesDone,
    CountBegan,
    CountDone,
    Event,
    Phase,
    PhaseBegan,
    PhaseEnded,
    Skipped,
    Waiting,
)

_TICK_S = 1.0
_DRAW_S = 0.1
_COLUMNS = 80  # where the terminal does not say
_LEAST_BAR, _MOST_BAR = 10, 30
_LEAST_FILE = 8
_FIGURES = (
    54  # a bar of ten columns, and what tqdm says beside it: "100%|…| 999M/9.99G [1:23:45<1:23:45, 99.9MB/s]"
)


class Progress:
    """Listens to a job and draws its progress on standard error. Used as a context, from any thread.

    A run that says what lies ahead of it has one bar over everything; elsewhere each phase has its own.
    """

    def __init__(self, shown: bool) -> None:
        self._shown = shown and sys.stderr.isatty()
        self._bars: dict[tuple[Phase, str], Any] = {}
        self._overall: _OverallBar | None = None
        self._lock = threading.Lock()
        self._over = threading.Event()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        with self._lock:
            self._shown = False  # a thread that a drive holds up may still report
            with suppress(OSError, ValueError):  # the terminal has gone
                if self._overall is not None:
                    self._overall.close()
                for bar in self._bars.values():
                    bar.close()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        if isinstance(event, Skipped):
            _say_skipped(event)
        if not self._shown:
            return
        try:
            with self._lock:
                self._show(event)
        except (OSError, ValueError):
            self._shown = False  # the terminal has gone; the night goes on

    def _show(self, event: Event) -> None:
        if isinstance(event, Waiting):
            sys.stderr.write(f"{event.why}: waiting for it to end.\n")
        elif self._overall is not None:
            self._overall.take(event)
        elif isinstance(event, Ahead):
            self._begin_overall(event)
        elif isinstance(event, PhaseBegan):
            self._begin(event)
        elif isinstance(event, BytesDone):
            bar = self._bars[_key(event)]
            bar.total = max(bar.total, bar.n + event.size_bytes)  # a file may be larger than was listed
            bar.update(event.size_bytes)
        elif isinstance(event, CountBegan):
            self._begin_count(event)
        elif isinstance(event, CountDone):
            self._bars[event.phase, ""].update()
        elif isinstance(event, PhaseEnded) and event.phase is not Phase.COMPARING:
            self._bars[_key(event)].close()

    def _begin_overall(self, ahead: Ahead) -> None:
        self._close_comparing()
        if ahead.write_bytes or ahead.read_bytes:
            self._overall = _OverallBar(Course(ahead))
            threading.Thread(target=self._tick_on, daemon=True).start()

    def _close_comparing(self) -> None:
        bar = self._bars.pop((Phase.COMPARING, ""), None)
        if bar is not None:
            bar.close()

    def _begin(self, event: PhaseBegan) -> None:
        from tqdm import tqdm

        if event.phase is not Phase.COMPARING:
            self._close_comparing()
        elif (bar := self._bars.get(_key(event))) is not None:
            bar.total += event.total_bytes
            return
        # Two drives may have one name, and then share what is drawn for it.
        self._bars[_key(event)] = tqdm(
            total=event.total_bytes,
            desc=_described(event),
            unit="B",
            unit_scale=True,
            file=sys.stderr,
            dynamic_ncols=True,
        )

    def _begin_count(self, event: CountBegan) -> None:
        from tqdm import tqdm

        self._bars[event.phase, ""] = tqdm(
            total=event.total, desc=event.phase.value, unit="", file=sys.stderr, dynamic_ncols=True
        )

    def _tick_on(self) -> None:
        while not self._over.wait(_TICK_S):
            self.tick()

    def tick(self) -> None:
        """Draw anew, also while nothing is reported: a flush takes long."""
        try:
            with self._lock:
                if self._shown and self._overall is not None:
                    self._overall.draw()
        except (OSError, ValueError):
            self._shown = False  # as above


def _key(event: PhaseBegan | BytesDone | PhaseEnded) -> tuple[Phase, str]:
    """Return which bar an event belongs to: what is compared comes file by file, and is one work."""
    return event.phase, "" if event.phase is Phase.COMPARING else event.what


class _OverallBar:
    """One line over a whole run, as wide as the terminal: what matters most is never pushed off it."""

    def __init__(self, course: Course) -> None:
        from tqdm import tqdm

        self._course = course
        self._drawn_s = 0.0
        # The name of a phase stays blank before the first one begins.
        self._bar = tqdm(total=1.0, file=sys.stderr, bar_format="{bar:10}", ncols=1, miniters=2)
        self.draw()

    def take(self, event: Event) -> None:
        """Follow an event, and draw anew where that was not done a moment ago."""
        self._course.take(event)
        if time.monotonic() - self._drawn_s >= _DRAW_S:
            self.draw()

    def draw(self) -> None:
        """Draw the line as the run stands now."""
        self._drawn_s = time.monotonic()
        self._course.look()
        self._show(self._course.phase.value, self._course.told(), self._course.file)

    def close(self) -> None:
        """Leave a last line that says what was done."""
        self._course.look()
        self._show("", self._course.told_at_the_end(), "")
        self._bar.close()

    def _show(self, phase: str, told: str, file: str) -> None:
        screen = screen_of(sys.stderr)
        width = (screen.width or _COLUMNS) - 1  # a terminal may break a line that is full
        part = self._course.part_done
        before, after = (
            f"{phase:<12} {int(part * 100):>3}% |" if phase else f"{int(part * 100):>3}% |",
            f"| {told}",
        )
        room = width - columns_of(before + after)
        name, bar = _shared_room(screen, room, file)
        line = f"{_plain(before)}{{bar:{bar}}}{_plain(after + name)}"
        self._bar.ncols, self._bar.bar_format, self._bar.n = width, line, part
        self._bar.refresh()


def _described(event: PhaseBegan) -> str:
    """Return what a bar of its own stands for: of a long path as much of its end as leaves the bar room."""
    if event.phase is Phase.COMPARING:
        return event.phase.value
    screen = screen_of(sys.stderr)
    what = screen.clean(event.what)
    room = max((screen.width or _COLUMNS) - len(event.phase.value) - _FIGURES, _LEAST_FILE)
    if columns_of(what) > room:
        what = screen.clean("…") + last_columns(what, room - 1)
    return f"{event.phase.value} {what}".rstrip()


def _shared_room(screen: Screen, room: int, file: str) -> tuple[str, int]:
    """Return the end of a file's path as there is room for it beside a bar, and how wide the bar is."""
    file = screen.clean(file)
    for_file = room - _LEAST_BAR - 2
    if not file or for_file < _LEAST_FILE:
        return "", min(max(room, 1), _MOST_BAR)
    if columns_of(file) > for_file:
        file = screen.clean("…") + last_columns(file, for_file - 1)
    return f"  {file}", min(room - 2 - columns_of(file), _MOST_BAR)


def _plain(text: str) -> str:
    """Return a text as a format has to have it to mean itself."""
    return text.replace("{", "{{").replace("}", "}}")


def _say_skipped(event: Skipped) -> None:
    """Write the line also where nobody watches: it explains a drive that was not used."""
    with suppress(OSError, ValueError):  # the terminal has gone
        sys.stderr.write(f"{screen_of(sys.stderr).clean(f'{event.path} {event.why}: skipped.')}\n")
