"""The folder that each frame is laid out in: frames that must be processed apart lie apart.

    lights/<target>/<filter>/<night>/
    darks/<exposure> <gain> <temperature>/
    flats/<filter>/<night>/
    dark flats/<exposure> <gain> <temperature>/
    bias/<gain> <offset>/

A fact by which the frames in one of these folders differ (camera, telescope, binning, …) is added to the last
folder's name; a fact that all share is not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from manifests.frames.calibration.setups import Setup
from manifests.frames.frame import FrameType
from transfer.archive.layout import folder_name
from transfer.jobs.gather.archive_frames import ArchiveFrame, filter_of

Word = Callable[[Setup], str | None]

_TOPS = {
    FrameType.LIGHT: "lights",
    FrameType.DARK: "darks",
    FrameType.FLAT: "flats",
    FrameType.DARK_FLAT: "dark flats",
    FrameType.BIAS: "bias",
}


def _night(setup: Setup) -> str | None:
    return None if setup.night is None else setup.night.isoformat()


def _exposure(setup: Setup) -> str | None:
    return None if setup.exposure_s is None else f"{setup.exposure_s:g}s"


def _temperature(setup: Setup) -> str | None:
    return None if setup.sensor_deg_c is None else f"{round(setup.sensor_deg_c)}C"


def _gain(setup: Setup) -> str | None:
    return None if setup.gain is None else f"gain {setup.gain:g}"


def _offset(setup: Setup) -> str | None:
    return None if setup.offset is None else f"offset {setup.offset:g}"


def _binning(setup: Setup) -> str | None:
    return None if setup.binning is None else f"bin {setup.binning[0]}x{setup.binning[1]}"


def _size(setup: Setup) -> str | None:
    return None if setup.size_px is None else f"{setup.size_px[0]}x{setup.size_px[1]}"


def _focal_length(setup: Setup) -> str | None:
    return None if setup.focal_length_mm is None else f"{round(setup.focal_length_mm)}mm"


def _filter_width(setup: Setup) -> str | None:
    return None if setup.filter_width_nm is None else f"{setup.filter_width_nm:g}nm"


_SENSOR: tuple[Word, ...] = (lambda setup: setup.camera, _binning, _size)
_READOUT: tuple[Word, ...] = (*_SENSOR, lambda setup: setup.readout_mode)
_OPTICS: tuple[Word, ...] = (lambda setup: setup.telescope, _focal_length)

_ALWAYS: Mapping[FrameType, tuple[Word, ...]] = {
    FrameType.LIGHT: (_night,),
    FrameType.DARK: (_exposure, _gain, _temperature),
    FrameType.FLAT: (_night,),
    FrameType.DARK_FLAT: (_exposure, _gain, _temperature),
    FrameType.BIAS: (_gain, _offset),
}
_WHERE_DIFFERENT: Mapping[FrameType, tuple[Word, ...]] = {
    FrameType.LIGHT: (_filter_width, _exposure, _gain, _offset, *_READOUT, *_OPTICS),
    FrameType.DARK: (_offset, *_READOUT),
    FrameType.FLAT: (_filter_width, *_SENSOR, *_OPTICS),
    FrameType.DARK_FLAT: (_offset, *_READOUT),
    FrameType.BIAS: _READOUT,
}
_TURNED = (FrameType.LIGHT, FrameType.FLAT)


def folders(frames: Iterable[ArchiveFrame], rotation_deg: float) -> dict[str, str]:
    """Return each frame's folder by its path. Rotations that differ by more than the tolerance lie apart."""
    together: dict[str, list[ArchiveFrame]] = {}
    for frame in frames:
        together.setdefault(_above(frame), []).append(frame)
    return {
        frame.path: "/".join((above, *_last(leaf(frame.setup))))
        for above, alike in together.items()
        for leaf in [_Leaf(alike[0].kind, (frame.setup for frame in alike), rotation_deg)]
        for frame in alike
    }


def _above(frame: ArchiveFrame) -> str:
    parts = [_TOPS[frame.kind]]
    if frame.kind is FrameType.LIGHT:
        parts.append(folder_name(frame.row.target or ""))
    if frame.kind in _TURNED:
        parts.append(folder_name(filter_of(frame.row)))
    return "/".join(parts)


def _last(words: Iterable[str]) -> list[str]:
    name = " ".join(words)
    return [folder_name(name)] if name else []


class _Leaf:
    """Returns the words of the last folder's name for a setup, for all frames of one type."""

    def __init__(self, kind: FrameType, setups: Iterable[Setup], rotation_deg: float) -> None:
        different = list(dict.fromkeys(setups))
        self._rotations = _rotations(kind, different, rotation_deg)
        apart = [word for word in _WHERE_DIFFERENT[kind] if len({word(setup) for setup in different}) > 1]
        self._words = (*_ALWAYS[kind], *apart, self._rotation)

    def __call__(self, setup: Setup) -> list[str]:
        return [text for word in self._words if (text := word(setup)) is not None]

    def _rotation(self, setup: Setup) -> str | None:
        degrees = None if setup.rotation_deg is None else self._rotations.get(setup.rotation_deg)
        return None if degrees is None else f"rotation {degrees}"


def _rotations(kind: FrameType, setups: Iterable[Setup], tolerance_deg: float) -> Mapping[float, int]:
    """Return a number for each rotation, as `told_apart` does; empty where all are one."""
    known = [setup.rotation_deg for setup in setups if setup.rotation_deg is not None]
    numbers = told_apart(known, tolerance_deg) if kind in _TURNED else {}
    return numbers if len(set(numbers.values())) > 1 else {}


def told_apart(rotations_deg: Iterable[float], tolerance_deg: float) -> Mapping[float, int]:
    """Return for each rotation a whole number of degrees that rotations near it share.

    Each lies within the tolerance of another one with the same number. Half a turn makes no difference: the
    mount turns over when it crosses the meridian, and the camera stays as it was to the telescope.
    """
    ordered = sorted(set(rotations_deg), key=lambda each: each % 180)
    clusters: list[list[float]] = []
    for each in ordered:
        if clusters and each % 180 - clusters[-1][-1] % 180 <= tolerance_deg:
            clusters[-1].append(each)
        else:
            clusters.append([each])
    if len(clusters) > 1 and clusters[0][0] % 180 + 180 - clusters[-1][-1] % 180 <= tolerance_deg:
        clusters[0] = clusters.pop() + clusters[0]
    return {each: round(min(cluster)) % 360 for cluster in clusters for each in cluster}
