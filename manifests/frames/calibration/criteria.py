"""What is compared for each type of calibration frame: facts that agree, facts that are close."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, replace

from manifests.frames.calibration.setups import Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType
from manifests.frames.names.spelling import fold


@dataclass(frozen=True, slots=True)
class Agreeing:
    """A fact that must be the same; `value` returns it in the form that is compared, or None.

    `may_lack`: many setups rightly have none, so that two without one agree.
    """

    name: str
    value: Callable[[Setup], Hashable | None]
    may_lack: bool = False


@dataclass(frozen=True, slots=True)
class Close:
    """A fact that must be near: `apart(need, have)` at most `limit(tolerances, need)`.

    `required`: an unknown value fits nothing. `rather` is compared in its place where both sides have it.
    """

    name: str
    value: Callable[[Setup], float | None]
    apart: Callable[[float, float], float]
    limit: Callable[[Tolerances, float], float]
    required: bool = False
    rather: Close | None = None


def _text(value: Callable[[Setup], str | None]) -> Callable[[Setup], Hashable | None]:
    def folded(setup: Setup) -> str | None:
        text = value(setup)
        return None if text is None else fold(text)

    return folded


def _difference(need: float, have: float) -> float:
    return abs(have - need)


def rotation_apart_deg(need_deg: float, have_deg: float) -> float:
    """Return the angle between two rotations on the sky, degrees, half a turn counting as none.

    Across the meridian a mount turns over, and the angle on the sky with it, while camera and
    telescope stay as they were to each other.
    """
    return _around(180, need_deg, have_deg)


def rotator_apart_deg(need_deg: float, have_deg: float) -> float:
    """Return the angle between two positions of a rotator, degrees.

    Half a turn of it turns the camera against the telescope: what a flat shows is then elsewhere.
    """
    return _around(360, need_deg, have_deg)


def _around(whole_deg: float, need_deg: float, have_deg: float) -> float:
    apart = (have_deg - need_deg) % whole_deg
    return min(apart, whole_deg - apart)


CAMERA = Agreeing("camera", _text(lambda setup: setup.camera))
CAMERA_SERIAL = Agreeing("camera serial", _text(lambda setup: setup.camera_serial), may_lack=True)
TELESCOPE = Agreeing("telescope", _text(lambda setup: setup.telescope))
FILTER = Agreeing("filter", _text(lambda setup: setup.filter_name))
FILTER_WIDTH = Agreeing("filter width", lambda setup: setup.filter_width_nm, may_lack=True)
SIZE = Agreeing("size", lambda setup: setup.size_px)
BINNING = Agreeing("binning", lambda setup: setup.binning)
GAIN = Agreeing("gain", lambda setup: setup.gain)
OFFSET = Agreeing("offset", lambda setup: setup.offset)
READOUT_MODE = Agreeing("readout mode", _text(lambda setup: setup.readout_mode))

EXPOSURE = Close(
    "exposure",
    lambda setup: setup.exposure_s,
    _difference,
    lambda limits, need_s: max(limits.exposure_s, limits.exposure_relative * need_s),
    required=True,
)
DARK_FLAT_EXPOSURE = Close(
    "exposure",
    lambda setup: setup.exposure_s,
    _difference,
    lambda limits, need_s: max(limits.dark_flat_exposure_s, limits.dark_flat_exposure_relative * need_s),
    required=True,
)
TEMPERATURE = Close(
    "sensor temperature",
    lambda setup: setup.sensor_deg_c,
    _difference,
    lambda limits, _: limits.sensor_deg_c,
)
ROTATOR = Close(
    "rotation", lambda setup: setup.rotator_deg, rotator_apart_deg, lambda limits, _: limits.rotation_deg
)
ROTATION = Close(
    "rotation",
    lambda setup: setup.rotation_deg,
    rotation_apart_deg,
    lambda limits, _: limits.rotation_deg,
    rather=ROTATOR,
)
FOCAL_LENGTH = Close(
    "focal length",
    lambda setup: setup.focal_length_mm,
    _difference,
    lambda limits, need_mm: limits.focal_length_relative * need_mm,
)
_SENSOR = (CAMERA, CAMERA_SERIAL, SIZE, BINNING, GAIN, OFFSET, READOUT_MODE)

AGREEING: Mapping[FrameType, tuple[Agreeing, ...]] = {
    FrameType.DARK: _SENSOR,
    FrameType.DARK_FLAT: _SENSOR,
    FrameType.BIAS: _SENSOR,
    # The gain of a flat is its own affair: it is divided out.
    FrameType.FLAT: (CAMERA, CAMERA_SERIAL, SIZE, BINNING, FILTER, FILTER_WIDTH, TELESCOPE),
}
CLOSE: Mapping[FrameType, tuple[Close, ...]] = {
    FrameType.DARK: (EXPOSURE, TEMPERATURE),
    FrameType.DARK_FLAT: (DARK_FLAT_EXPOSURE, TEMPERATURE),
    FrameType.BIAS: (),
    FrameType.FLAT: (ROTATION, FOCAL_LENGTH),
}

Agreement = tuple[Hashable | None, ...]
"""The agreeing facts of a setup, in the order of its type's criteria."""


def agreement_of(kind: FrameType, setup: Setup) -> Agreement:
    """Return what must agree for one type of calibration frame."""
    return tuple(fact.value(setup) for fact in AGREEING[kind])


def differing(kind: FrameType, need: Agreement, have: Agreement) -> tuple[str, ...]:
    """Return the names of the facts that are known on both sides and are not the same."""
    pairs = zip(AGREEING[kind], need, have, strict=True)
    return tuple(fact.name for fact, a, b in pairs if a is not None and b is not None and a != b)


def unknown(kind: FrameType, need: Agreement, have: Agreement) -> tuple[str, ...]:
    """Return the names of the facts that are not known on one side or on both, and so can't be checked."""
    pairs = zip(AGREEING[kind], need, have, strict=True)
    return tuple(
        fact.name
        for fact, a, b in pairs
        if (a is None or b is None) and not (fact.may_lack and a is None and b is None)
    )


def only_relevant(kind: FrameType, setup: Setup) -> Setup:
    """Return a setup without the facts that make no difference to one type of calibration frame."""
    if kind is FrameType.FLAT:
        return replace(setup, gain=None, offset=None, readout_mode=None, exposure_s=None, sensor_deg_c=None)
    sensor = replace(
        setup,
        telescope=None,
        filter_name=None,
        filter_width_nm=None,
        rotation_deg=None,
        rotator_deg=None,
        focal_length_mm=None,
    )
    return replace(sensor, exposure_s=None, sensor_deg_c=None) if kind is FrameType.BIAS else sensor
