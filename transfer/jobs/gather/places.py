"""The folder that each frame is laid out in: frames that must be processed apart lie apart.

    lights/<target>/<filter>/<night>/
    darks/<exposure> <gain> <temperature>/
    flats/<filter>/<night>/
    dark flats/<exposure> <gain> <temperature>/
    bias/<gain> <offset>/

Masters lie apart, in "master darks", "master flats" and so on.
A fact by which the frames in one of these folders differ (camera, telescope, binning, …) is added to the last
folder's name; a fact that all share is not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from manifests.frames.calibration.setups import Setup
from manifests.frames.frame import FrameType, Stage
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


def _serial(setup: Setup) -> str | None:
    return None if setup.camera_serial is None else f"serial {setup.camera_serial}"


_SENSOR: tuple[Word, ...] = (lambda setup: setup.camera, _serial, _binning, _size)
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
    top = _TOPS[frame.kind]
    parts = [f"master {top}" if frame.stage is Stage.MASTER else top]
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
        self._rotations = _rotations(different, rotation_deg) if kind in _TURNED else {}
        apart = [word for word in _WHERE_DIFFERENT[kind] if len({word(setup) for setup in different}) > 1]
        self._words = (*_ALWAYS[kind], *apart, self._rotations.get)

    def __call__(self, setup: Setup) -> list[str]:
        return [text for word in self._words if (text := word(setup)) is not None]


def _rotations(setups: Iterable[Setup], tolerance_deg: float) -> Mapping[Setup, str]:
    """Return a word for each setup's rotation; empty where all are one.

    The rotator's angle counts where all have one, else the angle on the sky, as in matching.
    """
    turned = [each for each in setups if each.rotator_deg is not None or each.rotation_deg is not None]
    all_rotators = all(each.rotator_deg is not None for each in turned)
    by_rotator = {
        each: each.rotator_deg
        for each in turned
        if each.rotator_deg is not None and (all_rotators or each.rotation_deg is None)
    }
    by_sky = {
        each: each.rotation_deg for each in turned if each.rotation_deg is not None and each not in by_rotator
    }
    on_rotator = told_apart(by_rotator.values(), tolerance_deg, 360)
    on_sky = told_apart(by_sky.values(), tolerance_deg, 180)
    words = {each: f"rotator {on_rotator[angle_deg]}" for each, angle_deg in by_rotator.items()}
    words |= {each: f"rotation {on_sky[angle_deg]}" for each, angle_deg in by_sky.items()}
    return words if len(set(words.values())) > 1 else {}


def told_apart(angles_deg: Iterable[float], tolerance_deg: float, whole_deg: int) -> Mapping[float, int]:
    """Return for each angle a whole number of degrees that angles near it share.

    Each lies within the tolerance of another one with the same number. Angles that differ by `whole_deg` are
    one: 180° on the sky, where the mount turns over when it crosses the meridian and the camera stays as it
    was to the telescope; 360° on a rotator.
    """
    ordered = sorted(set(angles_deg), key=lambda each: each % whole_deg)
    clusters: list[list[float]] = []
    for each in ordered:
        if clusters and each % whole_deg - clusters[-1][-1] % whole_deg <= tolerance_deg:
            clusters[-1].append(each)
        else:
            clusters.append([each])
    around_deg = clusters[0][0] % whole_deg + whole_deg - clusters[-1][-1] % whole_deg if clusters else 0
    if len(clusters) > 1 and around_deg <= tolerance_deg:
        clusters[0] = clusters.pop() + clusters[0]
    return {each: round(min(cluster)) % 360 for cluster in clusters for each in cluster}
