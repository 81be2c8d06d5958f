"""A frame: the facts of one exposure's header, with their units in their names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from math import isfinite
from typing import Any


class FrameType(StrEnum):
    """What an exposure is for."""

    LIGHT = "light"
    DARK = "dark"
    FLAT = "flat"
    BIAS = "bias"
    DARK_FLAT = "dark flat"


class Stage(StrEnum):
    """How a frame came about: by one exposure, from several frames, or by calibrating one."""

    RAW = "raw"
    MASTER = "master"
    STACK = "stack"
    CALIBRATED = "calibrated"


@dataclass(frozen=True, slots=True)
class Frame:
    """What a header says, as it says it; `None` where it says nothing.

    Names (`object_name`, `filter_name`, `camera`, …) are the header's own spelling, trimmed; one
    name for one thing is made later, in `names`. `begun_utc` is the start of the exposure, in UTC
    and aware. Coordinates are degrees as the header gives them (`equinox` where it says so).
    `rotation_deg` is the camera's angle on the sky, `rotator_deg` that of the rotator's own scale.
    `altitude_deg` and `airmass` are the header's own, kept beside what is computed.
    `image_type` is the header's word for the type; `frame_type` what it means, where known. `stage` is
    `None` for a raw frame, and in entries from before it was read: ask `stages.known_stage`.
    """

    frame_type: FrameType | None = None
    image_type: str | None = None
    stage: Stage | None = None
    object_name: str | None = None
    filter_name: str | None = None
    begun_utc: datetime | None = None
    exposure_s: float | None = None
    camera: str | None = None
    camera_serial: str | None = None
    telescope: str | None = None
    observer: str | None = None
    program: str | None = None
    width_px: int | None = None
    height_px: int | None = None
    bin_x: int | None = None
    bin_y: int | None = None
    gain: float | None = None
    offset: float | None = None
    readout_mode: str | None = None
    bayer_pattern: str | None = None
    sensor_deg_c: float | None = None
    setpoint_deg_c: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    equinox: float | None = None
    rotation_deg: float | None = None
    rotator_deg: float | None = None
    focal_length_mm: float | None = None
    pixel_um: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None
    focuser_position: float | None = None
    focuser_deg_c: float | None = None
    ambient_deg_c: float | None = None

    def as_facts(self) -> dict[str, Any]:
        """Return the facts that are known, in a form JSON can hold (the time as ISO 8601)."""
        facts = {field.name: getattr(self, field.name) for field in fields(self)}
        known = {name: value for name, value in facts.items() if value is not None}
        known |= {name: value.value for name, value in known.items() if isinstance(value, StrEnum)}
        if self.begun_utc is not None:
            known["begun_utc"] = self.begun_utc.isoformat()
        return known

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> Frame:
        """Make a frame from what `as_facts` returned, without facts that this version does not know.

        Raises ValueError, TypeError or OverflowError where a fact is not of its kind (an entry edited by
        hand).
        """
        check_kinds(facts)
        taken = {name: value for name, value in facts.items() if name in _KINDS and value is not None}
        if "begun_utc" in taken:
            taken["begun_utc"] = _aware(taken["begun_utc"])
        if "frame_type" in taken:
            taken["frame_type"] = FrameType(taken["frame_type"])
        if "stage" in taken:
            taken["stage"] = Stage(taken["stage"])
        return cls(**taken)


# Asked for once: `fields` takes longer than all the rest of reading a line. Times and types are texts there.
_NUMBERS = {"float | None": (float, int), "int | None": (int,)}
_KINDS: dict[str, tuple[type, ...]] = {
    field.name: _NUMBERS.get(str(field.type), (str,)) for field in fields(Frame)
}


def check_kinds(facts: Mapping[str, Any]) -> None:
    """Check that each fact is of its kind, and each number finite. Raises ValueError or OverflowError."""
    for name, value in facts.items():
        if value is None or name not in _KINDS:
            continue
        if type(value) not in _KINDS[name] or (type(value) is not str and not isfinite(value)):
            raise ValueError(f"{name} is {value!r:.80}")


def _aware(written: str) -> datetime:
    moment = datetime.fromisoformat(written)
    if moment.tzinfo is None:
        raise ValueError(f"begun_utc is of no zone: {written}")
    return moment
