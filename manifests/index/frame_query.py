"""Queries for frames, and the rows and totals that answer them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Generic, TypeVar

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_sky import FrameSky
from manifests.frames.measures.frame_measures import FrameMeasures, arcsec_per_px
from manifests.frames.stages import known_stage
from manifests.index.cones import Cone
from manifests.index.schema import MOST_EXPOSURE_S

Measure = TypeVar("Measure", float, date)

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class Between(Generic[Measure]):
    """A range with its ends; `None` leaves an end open."""

    least: Measure | None = None
    most: Measure | None = None

    def holds(self, value: Measure | None) -> bool:
        """Return whether a value is known and in the range."""
        if value is None or (self.least is not None and value < self.least):
            return False
        return self.most is None or value <= self.most


class Order(StrEnum):
    """The sort order of frames; unknown values come first, equals are sorted by time and path."""

    TIME = "time"
    NIGHT = "night"
    TARGET = "target"
    FILTER = "filter"
    TYPE = "type"
    EXPOSURE = "exposure"
    ALTITUDE = "altitude"
    STARS = "stars"
    SIZE = "size"
    ELONGATION = "elongation"
    BACKGROUND = "background"
    NOISE = "noise"


class Measured(StrEnum):
    """The measures that a range may be asked of."""

    STARS = "stars"
    SIZE_PX = "size_px"
    SIZE_ARCSEC = "size_arcsec"
    ELONGATION = "elongation"
    BACKGROUND_ADU = "background_adu"
    NOISE_ADU = "noise_adu"


@dataclass(frozen=True, slots=True)
class FrameQuery:
    """A query for frames: those that meet every given condition.

    Targets, filters and cameras are given by their one name; one of several suffices. `altitude_deg` and
    `sun_altitude_deg` are the computed ones at mid-exposure: twilight is a range of the sun's altitude.
    `findings` asks for frames with a finding of one of these kinds, `any_finding` for those with one of
    any kind. `measured` has a range for each measure that is asked for. A range, a cone or a name leaves out
    the frames of which the fact is not known.
    Frames of absent bags are included, marked as absent, unless `absent` is false.
    """

    targets: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()
    nights: Between[date] | None = None
    frame_types: tuple[FrameType, ...] = ()
    exposure_s: Between[float] | None = None
    cameras: tuple[str, ...] = ()
    cone: Cone | None = None
    altitude_deg: Between[float] | None = None
    sun_altitude_deg: Between[float] | None = None
    findings: tuple[FindingKind, ...] = ()
    any_finding: bool = False
    measured: Mapping[Measured, Between[float]] = field(default_factory=dict)
    absent: bool = True
    order: Order = Order.TIME
    descending: bool = False
    limit: int | None = None


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One frame of the archive: `path` in `bag`, which is the bag's path below the archive.

    `target` and `filter` are their one names. `frame` is what its header says, `sky` what was computed for
    it; a position that was not computed is the header's. `field_deg` is the shorter side of its field.
    `absent` says that its bag is not there now; `in_use` is False where a person does not use the frame.
    `measures` is None for a frame that was not measured yet.
    """

    bag: str
    path: str
    night: date
    target: str | None
    filter: str | None
    size_bytes: int
    sha256: str
    frame: Frame
    sky: FrameSky
    field_deg: float | None
    findings: tuple[Finding, ...]
    absent: bool
    in_use: bool = True
    measures: FrameMeasures | None = None

    @property
    def size_arcsec(self) -> float | None:
        """The median size of its stars in seconds of arc, where its header says the scale."""
        scale = arcsec_per_px(self.frame)
        if scale is None or self.measures is None or self.measures.size_px is None:
            return None
        return self.measures.size_px * scale

    def has_measures(self, wanted: Mapping[Measured, Between[float]]) -> bool:
        """Return whether each measure is known and in its range."""
        return all(
            between.holds(
                self.size_arcsec if each is Measured.SIZE_ARCSEC else getattr(self.measures, each.value, None)
            )
            for each, between in wanted.items()
        )


@dataclass(frozen=True, slots=True)
class Total:
    """How many frames a question finds, and the exposures of the raw ones that are in use."""

    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """The exposures' sum in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


def total_of(rows: Iterable[FrameRow]) -> Total:
    """Return the totals of frames; an implausible exposure counts as 0."""
    found = list(rows)
    raw = [row.frame for row in found if row.in_use and known_stage(row.frame) is Stage.RAW]
    exposures = [frame.exposure_s or 0.0 for frame in raw]
    return Total(len(found), sum(each for each in exposures if 0 <= each <= MOST_EXPOSURE_S))
