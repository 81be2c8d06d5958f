"""Card values to facts with known units: text, numbers, durations, lengths, temperatures, angles.

Each reader returns `None` for a value that does not state the fact beyond doubt; none raises.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from manifests.frames.cards import CardValue

# Section 4.3.2 recommends the unit in brackets at the start of the comment; many write it in words.
_BRACKETED = re.compile(r"[\[(]([^\])]*)[\])]")
_WORD = re.compile(r"[a-z]{4,}")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?")
# Large S is south, small s seconds.
_SEXAGESIMAL = re.compile(
    r"([NSEW]?) ?([+-]?) ?([0-9]{1,3})(?:([HhDd°])[: ]{0,2}|[: ]{1,3})([0-9]{1,2}(?:\.[0-9]*)?)"
    r"(?:[:Mm'′ ]{1,3}([0-9]{1,2}(?:\.[0-9]*)?))?[Mm'′s\"″ ]{0,3}([NSEW]?)"
)
_DECIMAL = re.compile(r"([NSEW]?) ?([+-]?) ?([0-9]{1,3}(?:\.[0-9]*)?) ?(?:°|deg)? ?([NSEW]?)")

_SECONDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1.0),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hr", "hour", "hours"), 3600.0),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), 1e-3),
    **dict.fromkeys(("us", "µs", "usec", "microsecond", "microseconds"), 1e-6),
}
_MILLIMETRES = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), 1.0),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), 10.0),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1000.0),
}
_MICRONS = {
    **dict.fromkeys(("um", "µm", "micron", "microns", "micrometre", "micrometres", "micrometers"), 1.0),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), 1000.0),
}
# Scale and zero point: °C = value × scale + zero.
_CELSIUS = {
    **dict.fromkeys(("c", "degc", "deg c", "°c", "celsius"), (1.0, 0.0)),
    **dict.fromkeys(("k", "kelvin", "kelvins"), (1.0, -273.15)),
    **dict.fromkeys(("f", "degf", "deg f", "°f", "fahrenheit"), (5 / 9, -32 * 5 / 9)),
}
_DEGREES = {
    **dict.fromkeys(("deg", "degs", "degree", "degrees"), 1.0),
    **dict.fromkeys(("h", "hr", "hour", "hours"), 15.0),
}

# No sensor, focuser or night is beyond these: the number is in another unit.
_COLDEST_DEG_C, _WARMEST_DEG_C = -200.0, 100.0


def text(card: CardValue) -> str | None:
    """Return a name: trimmed, on one line, without control characters; a number as it is written."""
    if isinstance(card.value, bool | complex):
        return None
    line = "".join(letter if letter.isprintable() else " " for letter in str(card.value))
    return line.strip() or None


def number(card: CardValue) -> float | None:
    """Return a finite number, also where a program wrote it as text."""
    value = card.value
    if isinstance(value, str):
        written = value.strip()
        value = float(re.sub("[dD]", "e", written)) if _NUMBER.fullmatch(written) else math.nan
    if isinstance(value, bool | complex):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def count(card: CardValue) -> int | None:
    """Return a whole number from 1 to 999, such as a binning."""
    value = number(card)
    return int(value) if value is not None and value == int(value) and 1 <= value < 1000 else None


def seconds(card: CardValue) -> float | None:
    """Return a duration in seconds, which is what a value is in unless its comment names another unit.

    Programs write −1 for one that they do not know.
    """
    duration = _scaled(card, _SECONDS)
    return duration if duration is not None and duration >= 0 else None


def millimetres(card: CardValue) -> float | None:
    """Return a length above zero in millimetres; a zero stands for "unknown" in many programs."""
    return _above_zero(_scaled(card, _MILLIMETRES))


def microns(card: CardValue) -> float | None:
    """Return a pixel's size above zero in µm."""
    return _above_zero(_scaled(card, _MICRONS))


def deg_c(card: CardValue) -> float | None:
    """Return a temperature in °C, which is what a value is in unless its comment names another scale.

    A value that no sensor, focuser or night can have is in a scale that nobody names: `None`.
    """
    value = number(card)
    scale, zero = _CELSIUS.get(unit_of(card, _CELSIUS), (1.0, 0.0))
    celsius = None if value is None else value * scale + zero
    return celsius if celsius is not None and _COLDEST_DEG_C <= celsius <= _WARMEST_DEG_C else None


def latitude_deg(card: CardValue) -> float | None:
    """Return a latitude, declination or altitude in degrees, from −90 to 90."""
    return _within(_angle_deg(card), 90)


def longitude_deg(card: CardValue) -> float | None:
    """Return a longitude in degrees, above −180 and up to 180; 200° is taken as −160°.

    The sign is the header's own unless the letter W stands beside it. FITS Standard 4.0 binds only
    OBSGEO-L, which counts east. The meridian of ±180° is one place and has one night: 180°.
    """
    degrees = _within(_angle_deg(card), 360)
    if degrees is None or abs(degrees) < 180:
        return degrees
    return 180.0 if abs(degrees) == 180 else degrees - math.copysign(360, degrees)


def rotation_deg(card: CardValue) -> float | None:
    """Return an angle of rotation in degrees, from −360 to 360."""
    return _within(_angle_deg(card), 360)


def right_ascension_deg(card: CardValue) -> float | None:
    """Return a right ascension in degrees, from 0 to 360.

    A number is in degrees unless its comment says hours; hours, minutes and seconds are hours unless
    a degree sign or the letter d says otherwise.
    """
    written = _sexagesimal(card.value)
    if written is not None:
        degrees: float | None = written.size if written.mark == "d" else written.size * 15
    else:
        degrees = _scaled(card, _DEGREES)
    return degrees if degrees is not None and 0 <= degrees <= 360 else None


def is_sexagesimal(card: CardValue) -> bool:
    """Return whether a value is written as hours or degrees, minutes and seconds."""
    return _sexagesimal(card.value) is not None


def airmass(card: CardValue) -> float | None:
    """Return a relative airmass: 1 at the zenith (some formulas give a little less), 40 at the horizon."""
    value = number(card)
    return value if value is not None and 0.99 <= value <= 50 else None


def unit_of(card: CardValue, units: Mapping[str, object]) -> str:
    """Return the first of `units` that a card's comment names, in brackets or in words; else nothing."""
    comment = card.comment.lower()
    bracketed = (inside.strip() for inside in _BRACKETED.findall(comment))
    words = (word for word in _WORD.findall(comment))
    return next((unit for unit in (*bracketed, *words) if unit in units), "")


def _scaled(card: CardValue, units: Mapping[str, float]) -> float | None:
    value = number(card)
    scaled = math.inf if value is None else value * units.get(unit_of(card, units), 1.0)
    return scaled if math.isfinite(scaled) else None


def _above_zero(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


@dataclass(frozen=True, slots=True)
class _Sexagesimal:
    """Units, minutes and seconds as one number; `mark` is "h" or "d" where the units are marked so."""

    size: float
    mark: str


def _angle_deg(card: CardValue) -> float | None:
    written = _sexagesimal(card.value)
    if written is not None:
        return written.size * 15 if written.mark == "h" else written.size
    plain = number(card)
    return plain if plain is not None else _lettered(card.value)


def _within(value: float | None, bound: float) -> float | None:
    return value if value is not None and abs(value) <= bound else None


def _sexagesimal(value: object) -> _Sexagesimal | None:
    match = _SEXAGESIMAL.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        return None
    before, sign, units, mark, minutes, seconds_, after = match.groups()
    if float(minutes) >= 60 or float(seconds_ or 0) > 60 or (before and after):
        return None
    size = int(units) + float(minutes) / 60 + float(seconds_ or 0) / 3600
    return _Sexagesimal(_signed(size, sign, before + after), (mark or "").lower().replace("°", "d"))


def _lettered(value: object) -> float | None:
    """Return decimal degrees written with a degree sign or the letter of a direction: "1.9W"."""
    match = _DECIMAL.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None or (match[1] and match[4]):
        return None
    return _signed(float(match[3]), match[2], match[1] + match[4])


def _signed(size: float, sign: str, letters: str) -> float:
    """Return the size, negative for a minus sign, for S, for W, and for a minus sign beside S or W."""
    return -size if sign == "-" or letters in ("S", "W") else size
