"""What a target's page says: hours by filter, its frames, their measures, and the calibration they have."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.calibration.masters import WithMasters
from manifests.frames.calibration.matching import CALIBRATION
from manifests.frames.calibration.plan import Row, plan_calibration
from manifests.frames.calibration.setups import FiledFrame, setup_of
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType, Stage
from manifests.frames.names.filters import NOT_GIVEN
from manifests.frames.stages import known_stage
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.opening import Index
from manifests.index.targets import TargetRow
from manifests.readings.units import decimals_among, number_shown
from transfer.page.drawing import Course, Drawing, Label, Line, Scale, Shape, cut, marks
from transfer.page.frames_shown import FrameShown, Group

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 1000.0, 118.0, 60.0, 990.0, 20.0, 96.0
_NIGHTS_NAMED = 14

_MEASURES: tuple[tuple[str, Callable[[FrameShown], float | None]], ...] = (
    ("Stars", lambda one: one.measures.stars),
    ("Star size, px", lambda one: one.measures.size_px),
    ("Sky background, ADU", lambda one: one.measures.background_adu),
    ("Elongation", lambda one: one.measures.elongation),
)


@dataclass(frozen=True, slots=True)
class TargetPage:
    """One page of a target: the frames of one part, and with the first part what holds for all."""

    row: TargetRow
    part: int
    parts: int
    groups: tuple[Group, ...]
    plots: tuple[Drawing, ...]
    calibration: tuple[Row, ...]

    @property
    def missing(self) -> tuple[Row, ...]:
        """The calibration that nothing in the archive fits."""
        return tuple(row for row in self.calibration if row.missing)


class CalibrationLibrary:
    """The archive's calibration frames, to be matched with one target's lights after another's."""

    def __init__(self, index: Index, equipment: EquipmentNames, tolerances: Tolerances) -> None:
        self._equipment = equipment
        by_stage: dict[Stage, list[FiledFrame]] = {}
        for row in frames(index, FrameQuery(frame_types=CALIBRATION, absent=False)):
            if row.in_use:
                by_stage.setdefault(known_stage(row.frame), []).append(self._filed(row))
        self._library = WithMasters(by_stage.get(Stage.RAW, []), by_stage.get(Stage.MASTER, []), tolerances)

    def _filed(self, row: FrameRow) -> FiledFrame:
        assert row.frame.frame_type is not None
        setup = setup_of(row.frame, row.night, row.filter or NOT_GIVEN, self._equipment)
        return FiledFrame(f"{row.bag}/{row.path}", row.frame.frame_type, setup)

    def plan(self, lights: Iterable[FrameRow]) -> tuple[Row, ...]:
        """Return what calibration a target's raw lights have, and what is missing."""
        raw = [
            self._filed(row)
            for row in lights
            if row.frame.frame_type is FrameType.LIGHT and row.in_use and known_stage(row.frame) is Stage.RAW
        ]
        return tuple(plan_calibration(raw, self._library))


def measure_plots(groups: Sequence[Group]) -> Iterator[Drawing]:
    """Return a plot for each measure that frames have: one frame beside the other, night after night."""
    shown = [one for group in groups for one in group.frames if not one.made]
    shown.sort(key=lambda one: (one.night, one.begun_us or 0))
    x = Scale(0, max(len(shown) - 1, 1), _LEFT + 6, _RIGHT - 6)
    for name, value in _MEASURES:
        measured = [(x(at), one, found) for at, one in enumerate(shown) if (found := value(one)) is not None]
        if measured:
            yield _plot(name, measured, list(_night_begins(shown, x)))


def _night_begins(shown: Sequence[FrameShown], x: Scale) -> Iterator[tuple[float, date]]:
    before = None
    for at, one in enumerate(shown):
        if one.night != before:
            yield x(at), one.night
        before = one.night


def _plot(
    name: str, measured: list[tuple[float, FrameShown, float]], begins: list[tuple[float, date]]
) -> Drawing:
    low, high = min(found for *_, found in measured), max(found for *_, found in measured)
    lowest, highest = (number_shown(each, decimals_among((low, high))) for each in (low, high))
    y = Scale(low, high, _BOTTOM - 4, _TOP + 4)
    shapes: list[Shape] = [
        Label(_LEFT, 12, name, "name"),
        Line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis"),
        Label(_LEFT - 6, _TOP + 8, highest, "label", "end"),
        Label(_LEFT - 6, _BOTTOM, lowest, "label", "end"),
    ]
    every = -(-len(begins) // _NIGHTS_NAMED)
    for number, (x, night) in enumerate(begins):
        shapes.append(Line(x - 3, _TOP, x - 3, _BOTTOM, "grid"))
        if number % every == 0:
            shapes.append(Label(x - 3, _BOTTOM + 14, cut(night.isoformat(), 10), "label"))
    by_look: dict[str, list[tuple[float, float]]] = {}
    for x, one, found in measured:
        by_look.setdefault(one.look, []).append((x, y(found)))
    shapes += [Course(marks(points), f"dots {look}") for look, points in by_look.items()]
    label = (
        f"{name} of {len(measured)} frames in the order of time: from {lowest}"
        f" to {highest}. The frames below say each."
    )
    return Drawing(_WIDTH, _HEIGHT, label, tuple(shapes))
