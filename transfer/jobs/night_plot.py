"""One night drawn: a panel for each unit, with the dark, the gaps and the failures marked; PNG or SVG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

from manifests.readings.series import Series
from manifests.readings.units import unit_shown
from transfer.archive.nights_told import NightTold
from transfer.errors import ConfigurationError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = {".png": "png", ".svg": "svg"}
# So many lines in a panel can still be told apart.
_IN_A_PANEL = 4
_WIDTH_IN, _PANEL_IN, _ROUND_IN = 10.0, 1.7, 1.0
_DOTS_PER_INCH = 120
_DAY_US = 86_400_000_000


def draw_night(told: NightTold, title: str, file: Path) -> None:
    """Draw a night into a new file, in the format that its ending says.

    Raises ConfigurationError where the ending is another, the file is there already or cannot be written, or
    matplotlib is not installed.
    """
    kind = FORMATS.get(file.suffix.lower())
    if kind is None:
        raise ConfigurationError("A plot is a .png or an .svg file", file, "Give the file such an ending.")
    figure = _figure(told, title, file)
    drawn = io.BytesIO()
    figure.savefig(drawn, format=kind, dpi=_DOTS_PER_INCH)
    try:
        with file.open("xb") as new:
            new.write(drawn.getvalue())
    except FileExistsError as error:
        raise ConfigurationError("There is such a file already", file, "Give another name.") from error
    except OSError as error:
        happened = f"The plot cannot be written ({error.strerror or error})"
        raise ConfigurationError(happened, file, "Give another place.") from error


def _figure(told: NightTold, title: str, file: Path) -> Figure:
    try:
        from matplotlib.figure import Figure  # without pyplot: no window, no state
    except ImportError as error:
        step = "Install it with: pip install 'nightferry[plot]'"
        raise ConfigurationError("Plots need matplotlib, which is not installed", file, step) from error
    panels = _panels(told.series)
    if not panels:
        raise ConfigurationError(f"The night of {told.night} has no readings to draw", file)
    size_in = (_WIDTH_IN, _PANEL_IN * len(panels) + _ROUND_IN)
    figure = Figure(figsize=size_in, layout="constrained")
    axes = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
    figure.suptitle(title)
    for place, panel in zip(axes, panels, strict=True):
        _draw(place, panel, told)
    axes[-1].set_xlabel("UTC. Light grey: dark; darker: no frame came; dashed: a failure")
    _label_hours(axes[-1])
    return figure


def _panels(series: Sequence[Series]) -> list[list[Series]]:
    """Return the series of one unit together, so many in a panel as can be told apart; bare numbers alone."""
    of_unit: dict[str, list[Series]] = {}
    for number, one in enumerate(series):
        of_unit.setdefault(one.unit or f"bare {number}", []).append(one)
    return [
        together[start : start + _IN_A_PANEL]
        for together in of_unit.values()
        for start in range(0, len(together), _IN_A_PANEL)
    ]


def _draw(axes: Axes, panel: Sequence[Series], told: NightTold) -> None:
    for series in panel:
        moments = [_moment(record.moment_us) for record in series.records]
        values = [record.first for record in series.records]
        style: dict[str, Any] = {"marker": "."} if len(values) < 30 else {}
        axes.plot(moments, values, linewidth=1, label=told.label(series), **style)
    if told.dark is not None:
        axes.axvspan(_moment(told.dark.from_us), _moment(told.dark.to_us), color="0.92", zorder=0)
    for gap in told.gaps:
        axes.axvspan(_moment(gap.from_us), _moment(gap.to_us), color="0.8", zorder=0)
    for failure in told.failures:
        axes.axvline(_moment(failure.at_us), color="red", linestyle="--", linewidth=1)
    axes.set_xlim(_moment(told.up.from_us), _moment(told.up.to_us))
    axes.set_ylabel(unit_shown(panel[0].unit))
    axes.legend(loc="best", fontsize="small")


def _label_hours(axes: Axes) -> None:
    from matplotlib.dates import DateFormatter, HourLocator

    axes.xaxis.set_major_locator(HourLocator(tz=UTC))
    axes.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=UTC))


def _moment(moment_us: int) -> float:
    """Return a moment as matplotlib counts: days since 1970."""
    return moment_us / _DAY_US
