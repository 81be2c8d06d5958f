"""What a run shows while it works: bars on a terminal, nothing where it is piped or asked for JSON."""

from __future__ import annotations

import sys
import threading
from types import TracebackType
from typing import Any, Self

from transfer.events import BytesDone, Event, Phase, PhaseBegan, PhaseEnded


class Progress:
    """Listens to a job and draws its progress on standard error. Used as a context, from any thread."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown and sys.stderr.isatty()
        self._bars: dict[tuple[Phase, str], Any] = {}
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for bar in self._bars.values():
            bar.close()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        if not self._shown:
            return
        try:
            self._show(event)
        except (OSError, ValueError):
            self._shown = False  # the terminal has gone; the night goes on

    def _show(self, event: Event) -> None:
        with self._lock:
            if isinstance(event, PhaseBegan):
                self._begin(event)
            elif isinstance(event, BytesDone):
                self._bar(event).update(event.size_bytes)
            elif isinstance(event, PhaseEnded):
                self._bar(event).close()
            else:
                sys.stderr.write(f"{event.why}: waiting for it to end.\n")

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
