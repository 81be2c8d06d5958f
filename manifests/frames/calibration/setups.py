"""A frame's setup: the facts by which a calibration frame fits a light, and frames grouped by it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from math import isfinite

from manifests.frames.calibration.equipment import NO_OWN_NAMES, EquipmentNames
from manifests.frames.frame import Frame, FrameType
from manifests.frames.names.filters import filter_width_nm
from manifests.frames.names.spelling import tidy


@dataclass(frozen=True, slots=True)
class Setup:
    """How a frame was taken; None where its header doesn't say.

    `camera` and `telescope` are the user's names for them, the telescope's without its driver's version.
    `filter_name` is the filter's one name, not the header's spelling; `filter_width_nm` is what that
    spelling has to it ("Ha 3nm"), unless the name has it too. `sensor_deg_c` is the measured
    temperature, or the set one where none was measured. `rotation_deg` is the angle on the sky,
    `rotator_deg` that on the rotator's scale. Numbers are rounded to what a setting can
    mean (0.1 °C, 0.1°), so that frames taken alike have equal setups.
    """

    camera: str | None = None
    camera_serial: str | None = None
    telescope: str | None = None
    filter_name: str | None = None
    filter_width_nm: float | None = None
    size_px: tuple[int, int] | None = None
    binning: tuple[int, int] | None = None
    gain: float | None = None
    offset: float | None = None
    readout_mode: str | None = None
    exposure_s: float | None = None
    sensor_deg_c: float | None = None
    rotation_deg: float | None = None
    rotator_deg: float | None = None
    focal_length_mm: float | None = None
    night: date | None = None


@dataclass(frozen=True, slots=True)
class FiledFrame:
    """One frame of the archive, as far as matching goes: where it is, what it is for, its setup."""

    path: str
    frame_type: FrameType
    setup: Setup


@dataclass(frozen=True, slots=True)
class Group:
    """The frames of one type that were taken with one setup."""

    setup: Setup
    paths: tuple[str, ...]


def setup_of(
    frame: Frame, night: date | None, filter_name: str | None, equipment: EquipmentNames = NO_OWN_NAMES
) -> Setup:
    """Return a frame's setup. `filter_name` is the filter's one name (see `names.filters`).

    A number that is not finite, or an exposure below zero, is no fact.
    """
    temperature = frame.sensor_deg_c if _rounded(frame.sensor_deg_c, 1) is not None else frame.setpoint_deg_c
    exposure_s = _rounded(frame.exposure_s, 6)
    return Setup(
        camera=equipment.camera(frame.camera),
        camera_serial=tidy(frame.camera_serial) or None,
        telescope=equipment.telescope(frame.telescope),
        filter_name=filter_name,
        filter_width_nm=_width_nm(frame.filter_name, filter_name),
        size_px=_pair(frame.width_px, frame.height_px),
        binning=_pair(frame.bin_x, frame.bin_y or frame.bin_x),
        gain=_rounded(frame.gain, 3),
        offset=_rounded(frame.offset, 3),
        readout_mode=tidy(frame.readout_mode) or None,
        exposure_s=exposure_s if exposure_s is not None and exposure_s >= 0 else None,
        sensor_deg_c=_rounded(temperature, 1),
        rotation_deg=None if _is_leftover(frame) else _rounded(frame.rotation_deg, 1),
        rotator_deg=_rounded(frame.rotator_deg, 1),
        focal_length_mm=_rounded(frame.focal_length_mm, 1),
        night=night,
    )


def grouped(frames: Iterable[FiledFrame]) -> dict[FrameType, list[Group]]:
    """Group frames by type and setup; types, groups and paths in the order in which they came."""
    found: dict[FrameType, dict[Setup, list[str]]] = {}
    for frame in frames:
        found.setdefault(frame.frame_type, {}).setdefault(frame.setup, []).append(frame.path)
    return {
        kind: [Group(setup, tuple(paths)) for setup, paths in by_setup.items()]
        for kind, by_setup in found.items()
    }


@lru_cache(maxsize=4096)
def _width_nm(written: str | None, name: str | None) -> float | None:
    return None if filter_width_nm(name) is not None else _rounded(filter_width_nm(written), 2)


def _is_leftover(frame: Frame) -> bool:
    """Return whether the angle on the sky is a 0 that a program left beside a rotator's angle."""
    return frame.rotation_deg == 0 and frame.rotator_deg is not None


def _pair(first: int | None, second: int | None) -> tuple[int, int] | None:
    return None if first is None or second is None else (first, second)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not isfinite(value) else round(value, digits) + 0.0
