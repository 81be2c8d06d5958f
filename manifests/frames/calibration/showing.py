"""The facts of a setup, as a person reads them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from manifests.frames.calibration.criteria import CLOSE
from manifests.frames.calibration.setups import Setup

_REGULATED_DEG_C = 0.25
"""A regulated sensor swings by some tenths around the whole degree that it was set to."""


@dataclass(frozen=True, slots=True)
class _Wording:
    """A fact's value as text, and the words before and after it, said once where there are several."""

    value: Callable[[Setup], str | None]
    before: str = ""
    after: str = ""
    is_range: bool = False


def shown(fact: str, setup: Setup) -> str | None:
    """Return one fact, by its criterion's name, in words: "300 s", "gain 100", "−10 °C"; None if unknown."""
    return shown_together(fact, [setup])


def shown_together(fact: str, setups: Iterable[Setup], *, named: bool = True) -> str | None:
    """Return one fact of several setups: "−12 to −10 °C" for a measure, each of them for a name.

    Unless it is `named`, the word before it ("gain", "camera") is left out.
    """
    wording = _WORDING[fact]
    before = wording.before if named else ""
    texts = {text: setup for setup in setups if (text := wording.value(setup)) is not None}
    if not texts:
        return None
    if wording.is_range and len(texts) > 1:
        order = _IN_ORDER[fact]
        ordered = sorted(texts, key=lambda text: order(texts[text]) or 0.0)
        return f"{before}{ordered[0]} to {ordered[-1]}{wording.after}"
    return f"{before}{', '.join(texts)}{wording.after}"


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:g}".replace("-", "−")


def _seconds(setup: Setup) -> str | None:
    exposure_s = setup.exposure_s
    if exposure_s is None:
        return None
    return f"{exposure_s:.3g}" if exposure_s < 0.1 else _number(round(exposure_s, 2))


def _temperature(setup: Setup) -> str | None:
    if setup.sensor_deg_c is None:
        return None
    whole = round(setup.sensor_deg_c)
    return _number(whole if abs(setup.sensor_deg_c - whole) <= _REGULATED_DEG_C else setup.sensor_deg_c)


def _rotation(setup: Setup) -> str | None:
    if setup.rotator_deg is not None:
        return f"{round(setup.rotator_deg) % 360}° (rotator)"
    return None if setup.rotation_deg is None else f"{round(setup.rotation_deg) % 360}°"


def _filter(setup: Setup) -> str | None:
    width = setup.filter_width_nm
    return setup.filter_name if width is None else f"{setup.filter_name} {_number(width)} nm"


def _pair(pair: tuple[int, int] | None) -> str | None:
    return None if pair is None else f"{pair[0]} × {pair[1]}"


_WORDING: Mapping[str, _Wording] = {
    "exposure": _Wording(_seconds, after=" s", is_range=True),
    "sensor temperature": _Wording(_temperature, after=" °C", is_range=True),
    "camera": _Wording(lambda setup: setup.camera, "camera "),
    "camera serial": _Wording(lambda setup: setup.camera_serial, "serial number "),
    "telescope": _Wording(lambda setup: setup.telescope, "telescope "),
    "filter": _Wording(_filter),
    "filter width": _Wording(lambda setup: _number(setup.filter_width_nm), "filter width ", " nm"),
    "readout mode": _Wording(lambda setup: setup.readout_mode, "readout mode "),
    "size": _Wording(lambda setup: _pair(setup.size_px), after=" px"),
    "binning": _Wording(lambda setup: _pair(setup.binning), "binning "),
    "gain": _Wording(lambda setup: _number(setup.gain), "gain "),
    "offset": _Wording(lambda setup: _number(setup.offset), "offset "),
    "rotation": _Wording(_rotation, "rotation "),
    "focal length": _Wording(lambda setup: _number(setup.focal_length_mm), after=" mm", is_range=True),
}
_IN_ORDER = {fact.name: fact.value for facts in CLOSE.values() for fact in facts}
