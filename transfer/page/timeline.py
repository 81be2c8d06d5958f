"""A night drawn from dusk to dawn: sky, frames, measures, readings and events on one axis of time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import NamedTuple

from manifests.index.readings import FRAMES
from manifests.readings.happenings import MINUTE_US, Span
from manifests.readings.series import HOUR_US, Series
from manifests.readings.units import decimals_among, number_shown, unit_shown
from transfer.archive.nights_told import NightTold, Place
from transfer.page.drawing import Area, Course, Drawing, Label, Line, Scale, Shape, course, cut, marks
from transfer.page.frames_shown import FrameShown, Group
from transfer.page.shown import NO_FILTER, NO_TARGET, clock

_WIDTH, _LEFT, _RIGHT, _TOP = 1000.0, 190.0, 946.0, 26.0
_SKY_HEIGHT, _LANE_HEIGHT, _PANEL_HEIGHT, _EVENTS_HEIGHT, _BETWEEN = 120.0, 22.0, 52.0, 22.0, 14.0
_NAME_LETTERS = 25
# Down to where astronomical twilight ends, and a little further.
_LOWEST_DEG, _HIGHEST_DEG = -20.0, 90.0
_STEP = timedelta(minutes=10)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# A line is not drawn through a time from which there is nothing.
_APART_US = HOUR_US // 2
_BIN = 2.0
_LANES_AT_MOST = 30
_PANELS_AT_MOST = 24


class _Panel(NamedTuple):
    """A part of the drawing: where it begins, and how high it is."""

    top: float
    height: float

    @property
    def bottom(self) -> float:
        return self.top + self.height


_MEASURES: tuple[tuple[str, Callable[[FrameShown], float | None]], ...] = (
    ("stars", lambda one: one.measures.stars),
    ("star size, px", lambda one: one.measures.size_px),
    ("background, ADU", lambda one: one.measures.background_adu),
    ("elongation", lambda one: one.measures.elongation),
)


class Timeline:
    """Draws one night; each part is put below those before it."""

    def __init__(self, told: NightTold, place: Place, groups: Sequence[Group]) -> None:
        self._told = told
        self._place = place
        self._groups = groups
        self._span = _shown_span(told)
        self._x = Scale(self._span.from_us, self._span.to_us, _LEFT, _RIGHT)
        self._y = _TOP
        self._shapes: list[Shape] = []

    def drawn(self) -> Drawing:
        """Return the drawing."""
        if self._place.latitude_deg is not None:
            self._draw_sky(self._place.latitude_deg)
        self._draw_lanes()
        self._draw_events()
        for name, value in _MEASURES:
            self._draw_measure(name, value)
        for series in self._told.series[:_PANELS_AT_MOST]:
            if series.source != FRAMES or not series.quantity.startswith(("moon", "altitude")):
                self._draw_series(series)
        height = self._y + 8
        behind = [*self._twilight(height), *self._hours(height), *self._gaps(height)]
        label = (
            f"The night of {self._told.night} from {clock(self._span.from_us)} to"
            f" {clock(self._span.to_us)} UTC: sky, frames, events, measures and readings."
            " The tables below say the same."
        )
        return Drawing(_WIDTH, height, label, (*behind, *self._shapes))

    def _panel(self, height: float, name: str, below: str = "") -> _Panel:
        panel = _Panel(self._y, height)
        self._y = panel.bottom + _BETWEEN
        middle = panel.top + height / 2
        self._shapes.append(Label(8, middle + (0 if below else 4), cut(name, _NAME_LETTERS), "name"))
        if below:
            self._shapes.append(Label(8, middle + 14, cut(below, _NAME_LETTERS), "label"))
        return panel

    def _twilight(self, height: float) -> Iterator[Shape]:
        """Return the day, the twilight and the dark behind everything."""
        up, dark = self._told.up, self._told.dark
        yield Area(_LEFT, _TOP, _RIGHT - _LEFT, height - _TOP, "day")
        for span, look in (
            (up if self._place.latitude_deg is not None else None, "twilight"),
            (dark, "dark"),
        ):
            if span is not None:
                begins, ends = self._x(span.from_us), self._x(span.to_us)
                yield Area(begins, _TOP, ends - begins, height - _TOP, look)

    def _hours(self, height: float) -> Iterator[Shape]:
        hours = (self._span.to_us - self._span.from_us) / HOUR_US
        every = HOUR_US * (1 if hours <= 14 else 2)
        moment = -(-self._span.from_us // every) * every
        while moment <= self._span.to_us:
            x = self._x(moment)
            yield Line(x, _TOP, x, height, "grid")
            yield Label(x, _TOP - 9, clock(moment), "label", "middle")
            moment += every
        yield Label(8, _TOP - 9, "UTC", "label")

    def _gaps(self, height: float) -> Iterator[Shape]:
        for gap in self._told.gaps:
            begins, ends = self._x(gap.from_us), self._x(gap.to_us)
            title = f"no frame for {gap.minutes:.0f} min, {clock(gap.from_us)} to {clock(gap.to_us)}"
            yield Area(begins, _TOP, max(ends - begins, 1.0), height - _TOP, "gap", title)

    def _draw_sky(self, latitude_deg: float) -> None:
        from manifests.frames.sky import sky_of

        panel = self._panel(_SKY_HEIGHT, "altitude", "sun, moon, targets")
        begun = _EPOCH + timedelta(microseconds=self._span.from_us)
        steps = int((self._span.to_us - self._span.from_us) / (10 * MINUTE_US)) + 1
        moments = [begun + number * _STEP for number in range(steps + 1)]
        sky = sky_of(moments, None, None, latitude_deg, self._place.longitude_deg)
        y = Scale(_LOWEST_DEG, _HIGHEST_DEG, panel.bottom, panel.top)
        self._shapes.append(Line(_LEFT, y(0.0), _RIGHT, y(0.0), "axis"))
        for degrees in (0.0, 30.0, 60.0):
            self._shapes.append(Line(_LEFT, y(degrees), _RIGHT, y(degrees), "grid"))
            self._shapes.append(Label(_RIGHT + 4, y(degrees) + 4, f"{degrees:.0f}°", "label"))
        at = [self._span.from_us + number * 10 * MINUTE_US for number in range(steps + 1)]
        for name, altitudes in (("sun", sky.sun_altitude_deg), ("moon", sky.moon_altitude_deg)):
            self._draw_body(name, list(zip(at, map(float, altitudes), strict=True)), y)
        for group in self._groups:
            points = [
                (self._x(_middle_us(one)), y(one.altitude_deg))
                for one in group.frames
                if one.begun_us is not None and one.altitude_deg is not None
            ]
            if points:
                self._shapes.append(Course(marks(points), f"dots {group.look}"))

    def _draw_body(self, name: str, altitudes: list[tuple[int, float]], y: Scale) -> None:
        """Draw where sun or moon stand, as far down as the sky is still lit by the sun."""
        steps, named = "", altitudes[0] if name == "sun" else max(altitudes, key=lambda one: one[1])
        for is_seen, run in groupby(altitudes, lambda one: one[1] > _LOWEST_DEG):
            if is_seen:
                steps += course([(self._x(at_us), y(degrees)) for at_us, degrees in run])
        if steps:
            self._shapes.append(Course(steps, name))
            x = min(max(self._x(named[0]), _LEFT + 24), _RIGHT - 24)
            self._shapes.append(Label(x, max(y(named[1]) - 6, _TOP + 10), name, "label", "middle"))

    def _draw_lanes(self) -> None:
        by_lane: dict[tuple[str | None, str | None], list[FrameShown]] = {}
        for group in self._groups:
            frames = [one for one in group.frames if one.begun_us is not None and not one.made]
            by_lane.setdefault((group.target, group.filter), []).extend(frames)
        lanes = [(key, frames) for key, frames in by_lane.items() if frames]
        lanes.sort(key=lambda lane: min(one.begun_us or 0 for one in lane[1]))
        for (target, name), frames in lanes[:_LANES_AT_MOST]:
            what = f"{cut(target or NO_TARGET, 17)} · {name or NO_FILTER}"
            panel = self._panel(_LANE_HEIGHT, what)
            self._y -= _BETWEEN - 4
            for run in _runs(frames):
                self._draw_run(run, panel, f"{target or NO_TARGET}, {name or NO_FILTER}")
        if len(lanes) > _LANES_AT_MOST:
            self._panel(_LANE_HEIGHT, f"and {len(lanes) - _LANES_AT_MOST} more")
        self._y += _BETWEEN - 4

    def _draw_run(self, run: list[FrameShown], panel: _Panel, what: str) -> None:
        """Draw the exposures of a run as one thick line with gaps between them."""
        middle, steps = panel.top + panel.height / 2, ""
        for one in run:
            begins, ends = self._x(one.begun_us or 0), self._x(_end_us(one))
            steps += f"M{begins:g} {middle:g}H{max(ends - 0.6, begins + 0.8):g}"
        self._shapes.append(Course(steps, f"bars {run[0].look}"))
        begins, ends = self._x(run[0].begun_us or 0), self._x(_end_us(run[-1]))
        title = f"{what}: {len(run)} frames, {clock(run[0].begun_us or 0)} to {clock(_end_us(run[-1]))}"
        self._shapes.append(Area(begins, panel.top, max(ends - begins, 2), panel.height, "over", title))

    def _draw_events(self) -> None:
        by_name: dict[str, list[int]] = {}
        for one in self._told.happenings:
            if self._span.from_us <= one.at_us <= self._span.to_us:
                by_name.setdefault(one.event, []).append(one.at_us)
        failed = {one.event for one in self._told.failures}
        for name, moments in list(by_name.items())[:_LANES_AT_MOST]:
            panel = self._panel(_EVENTS_HEIGHT, name)
            self._y -= _BETWEEN - 4
            look = "failure" if name in failed else "event"
            places = sorted({self._x(moment) for moment in moments})
            steps = "".join(f"M{x:g} {panel.top:g}V{panel.bottom:g}" for x in places)
            self._shapes.append(Course(steps, look))
        self._y += _BETWEEN - 4

    def _draw_measure(self, name: str, value: Callable[[FrameShown], float | None]) -> None:
        measured = [
            (
                group.look,
                [
                    (self._x(_middle_us(one)), found)
                    for one in group.frames
                    if (found := value(one)) is not None
                ],
            )
            for group in self._groups
        ]
        values = [found for _, points in measured for _, found in points]
        if not values:
            return
        _, y = self._ranged(name, min(values), max(values))
        for look, points in measured:
            if points:
                self._shapes.append(Course(marks([(x, y(found)) for x, found in points]), f"dots {look}"))

    def _ranged(self, name: str, low: float, high: float, below: str = "") -> tuple[_Panel, Scale]:
        """Begin a panel that goes from one value to another, and write both beside it."""
        panel = self._panel(_PANEL_HEIGHT, name, below)
        self._shapes.append(Line(_LEFT, panel.bottom, _RIGHT, panel.bottom, "grid"))
        decimals = decimals_among((low, high))
        self._shapes.append(Label(_RIGHT + 4, panel.top + 9, number_shown(high, decimals), "label"))
        if low != high:
            self._shapes.append(Label(_RIGHT + 4, panel.bottom, number_shown(low, decimals), "label"))
        return panel, Scale(low, high, panel.bottom - 3, panel.top + 3)

    def _draw_series(self, series: Series) -> None:
        summary = series.within(*self._span).summary()
        if summary is None:
            return
        unit = unit_shown(series.unit)
        name = f"{series.quantity}, {unit}" if unit else series.quantity
        _, y = self._ranged(name, summary.lowest, summary.highest, series.source)
        extent, runs = "", list[list[tuple[float, float]]]()
        before_us = -2 * _APART_US
        for at_us, x, low, middle, high in _binned(series, self._span, self._x):
            if at_us - before_us > _APART_US:
                runs.append([])
            runs[-1].append((x, y(middle)))
            if y(low) - y(high) > 1.5:
                extent += f"M{x:g} {y(low):g}V{y(high):g}"
            before_us = at_us
        lines = "".join(course(run) for run in runs if len(run) > 1)
        alone = marks([run[0] for run in runs if len(run) == 1])
        for steps, look in ((extent, "extent"), (lines, "reading"), (alone, "dots")):
            if steps:
                self._shapes.append(Course(steps, look))


def _shown_span(told: NightTold) -> Span:
    """Return from sunset to sunrise, and further where lights were taken outside of that."""
    lights = [one.exposed for one in told.frames if one.is_light]
    begun = min((one.from_us for one in lights), default=told.up.from_us)
    ended = max((one.to_us for one in lights), default=told.up.to_us)
    if told.dark is None and lights:  # no site: the frames say when it was night
        return Span(begun - HOUR_US // 2, ended + HOUR_US // 2)
    return Span(
        max(min(begun, told.up.from_us), told.up.from_us - 4 * HOUR_US),
        min(max(ended, told.up.to_us), told.up.to_us + 4 * HOUR_US),
    )


def _end_us(one: FrameShown) -> int:
    return (one.begun_us or 0) + round(1e6 * min(max(one.exposure_s or 0.0, 0.0), 86400.0))


def _middle_us(one: FrameShown) -> float:
    return ((one.begun_us or 0) + _end_us(one)) / 2


def _runs(frames: list[FrameShown]) -> Iterator[list[FrameShown]]:
    """Return frames in runs: what comes within a quarter of an hour of the one before goes on."""
    run: list[FrameShown] = []
    for one in sorted(frames, key=lambda each: each.begun_us or 0):
        if run and (one.begun_us or 0) - _end_us(run[-1]) > 15 * MINUTE_US:
            yield run
            run = []
        run.append(one)
    if run:
        yield run


def _binned(series: Series, span: Span, x: Scale) -> Iterator[tuple[int, float, float, float, float]]:
    """Return a series as finely as it can be drawn: when, where, and the lowest, a middle and the highest."""
    records = series.within(*span).records
    for place, group in groupby(records, lambda one: round(x(one.moment_us) / _BIN)):
        alike = list(group)
        yield (
            alike[-1].moment_us,
            place * _BIN,
            min(one.lowest for one in alike),
            sum(one.first for one in alike) / len(alike),
            max(one.highest for one in alike),
        )
