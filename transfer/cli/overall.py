"""One bar over all that a run does with its bytes: copying, flushing, reading back."""

from __future__ import annotations

import sys

from tqdm import tqdm

from transfer.cli.screen import screen_of
from transfer.events import Phase

# The current file comes last: it gets what room is left, and the terminal's width cuts it.
_LAYOUT = "{desc:<12}{percentage:3.0f}% |{bar:14}| {n_fmt}/{total_fmt} {remaining} left{postfix}"


class OverallBar:
    """Drawn on standard error; raises OSError and ValueError where the terminal has gone."""

    def __init__(self) -> None:
        self._total = 0
        self._bar = tqdm(
            total=0,
            unit="B",
            unit_scale=True,
            bar_format=_LAYOUT,
            file=sys.stderr,
            ncols=screen_of(sys.stderr).width,
            smoothing=0.05,  # a flush comes in bursts, and the time left is not to jump with each
        )

    def find_work(self, size_bytes: int) -> None:
        """Add to the bytes that lie before the run; fewer where negative."""
        self._set_total(self._total + size_bytes)
        self._bar.refresh()

    def begin(self, phase: Phase) -> None:
        """Show what is being done."""
        if phase is Phase.READING_BACK:
            self._bar.set_postfix_str("", refresh=False)
        self._bar.set_description_str(phase.value, refresh=True)

    def begin_file(self, path: str) -> None:
        """Show the name of the file that is being read."""
        screen = screen_of(sys.stderr)
        self._bar.ncols = screen.width  # a window may have got another
        self._bar.set_postfix_str(screen.clean(path.rpartition("/")[2]), refresh=False)

    def done(self, size_bytes: int) -> None:
        """Count bytes; what is carried a second time makes the whole longer."""
        self._set_total(max(self._total, int(self._bar.n) + size_bytes))
        self._bar.update(size_bytes)

    def _set_total(self, total_bytes: int) -> None:
        self._total = max(total_bytes, int(self._bar.n))
        self._bar.total = self._total

    def close(self) -> None:
        """Leave the bar as it stands."""
        self._bar.set_postfix_str("", refresh=True)
        self._bar.close()
