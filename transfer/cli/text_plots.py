"""Small plots made of characters, for a terminal: a quantity over a night in one line."""

from __future__ import annotations

from manifests.readings.happenings import Span
from manifests.readings.series import Series
from transfer.cli.screen import Screen

_BARS = "▁▂▃▄▅▆▇█"
_PLAIN = "0123456789"


def plot_line(series: Series, span: Span, width: int, screen: Screen) -> str:
    """Return a series over a span in `width` characters, low to high; a space where there is no reading."""
    bars = _bars(screen)
    sums = [(0.0, 0)] * width
    length = span.to_us - span.from_us + 1
    for one in series.records:
        place = min(max((one.moment_us - span.from_us) * width // length, 0), width - 1)
        total, count = sums[place]
        sums[place] = (total + one.first, count + 1)
    means = [total / count if count else None for total, count in sums]
    known = [mean for mean in means if mean is not None]
    if not known:
        return ""
    lowest, highest = min(known), max(known)
    step = (highest - lowest) / len(bars) or 1.0
    return "".join(
        " " if mean is None else bars[min(int((mean - lowest) / step), len(bars) - 1)] for mean in means
    ).rstrip()


def _bars(screen: Screen) -> str:
    try:
        _BARS.encode(screen.encoding)
    except UnicodeEncodeError:
        return _PLAIN
    return _BARS
