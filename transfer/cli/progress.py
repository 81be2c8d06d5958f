"""What a run shows while it works: bars on a terminal, nothing where it is piped or asked for JSON."""

from __future__ import annotations

import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from transfer.cli.screen import screen_of
from transfer.events import (
    BytesDone,
    Event,
    FileBegan,
    Phase,
    PhaseBegan,
    PhaseEnded,
    Skipped,
    Waiting,
    WorkFound,
)

if TYPE_CHECKING:
    from transfer.cli.overall import OverallBar

_TICK_S = 1.0


class Progress:
    """Listens to a job and draws its progress on standard error. Used as a context, from any thread."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown and sys.stderr.isatty()
        self._bars: dict[tuple[Phase, str], Any] = {}
        self._clocks: dict[tuple[Phase, str], Any] = {}
        self._overall: OverallBar | None = None
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._ticks = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        with self._lock:
            self._shown = False  # a thread that a drive holds up may still report
            # A clock stands below the bars: closed after one of them, it would wipe the line below its own.
            overall = [] if self._overall is None else [self._overall]
            for shown in (*self._clocks.values(), *self._bars.values(), *overall):
                with suppress(OSError, ValueError):  # the terminal has gone
                    shown.close()
            self._clocks.clear()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        if isinstance(event, Skipped):
            _say_skipped(event)
        if not self._shown:
            return
        try:
            self._show(event)
        except (OSError, ValueError):
            self._shown = False  # the terminal has gone; the night goes on

    def _show(self, event: Event) -> None:
        with self._lock:
            if isinstance(event, Waiting):
                sys.stderr.write(f"{event.why}: waiting for it to end.\n")
            elif isinstance(event, WorkFound) or self._overall is not None:
                self._show_overall(event)
            elif isinstance(event, PhaseBegan | PhaseEnded) and event.phase is Phase.FLUSHING:
                self._time(event)
            elif isinstance(event, PhaseBegan):
                self._begin(event)
            elif isinstance(event, BytesDone):
                self._bar(event).update(event.size_bytes)
            elif isinstance(event, PhaseEnded):
                self._bar(event).close()

    def _show_overall(self, event: Event) -> None:
        """Show an event of a run that says how much work it has: one bar has all of it."""
        if self._overall is None:
            from transfer.cli.overall import OverallBar  # which a piped run does without

            self._overall = OverallBar()
        if isinstance(event, WorkFound):
            self._overall.find_work(event.size_bytes)
        elif isinstance(event, PhaseBegan):
            self._overall.begin(event.phase)
        elif isinstance(event, FileBegan):
            self._overall.begin_file(event.path)
        elif isinstance(event, BytesDone) and event.phase is not Phase.COMPARING:
            self._overall.done(event.size_bytes)

    def _bar(self, event: BytesDone | PhaseEnded) -> Any:
        # Two drives may have one name, and then share what is drawn for it.
        return self._bars[event.phase, event.what]

    def _begin(self, event: PhaseBegan) -> None:
        from tqdm import tqdm

        self._bars[event.phase, event.what] = tqdm(
            total=event.total_bytes,
            desc=f"{event.phase.value} {event.what}",
            unit="B",
            unit_scale=True,
            file=sys.stderr,
            dynamic_ncols=True,
        )

    def _time(self, event: PhaseBegan | PhaseEnded) -> None:
        """Show, while a flush takes its time, that it does: no byte is counted meanwhile."""
        before = self._clocks.pop((event.phase, event.what), None)
        if before is not None:
            before.close()
        if isinstance(event, PhaseEnded):
            return
        if not self._ticks:
            self._ticks = True
            threading.Thread(target=self._tick_on, daemon=True).start()
        self._clocks[event.phase, event.what] = self._clock(event)

    @staticmethod
    def _clock(event: PhaseBegan) -> Any:
        from humanize import naturalsize
        from tqdm import tqdm

        return tqdm(
            desc=f"{event.phase.value} {event.what} ({naturalsize(event.total_bytes)})",
            bar_format="{desc}: {elapsed}",
            file=sys.stderr,
            dynamic_ncols=True,
            leave=False,
            delay=_TICK_S,  # most flushes are over before they need be told of
        )

    def _tick_on(self) -> None:
        while not self._over.wait(_TICK_S):
            self.tick()

    def tick(self) -> None:
        """Draw anew how long flushes take so far."""
        try:
            with self._lock:
                for clock in self._clocks.values():
                    clock.delay = 0  # it is on the terminal from now on, and is to be wiped off in the end
                    clock.refresh()
        except (OSError, ValueError):
            self._shown = False  # as above


def _say_skipped(event: Skipped) -> None:
    """Write the line also where nobody watches: it explains a drive that was not used."""
    with suppress(OSError, ValueError):  # the terminal has gone
        sys.stderr.write(f"{screen_of(sys.stderr).clean(f'{event.path} {event.why}: skipped.')}\n")
