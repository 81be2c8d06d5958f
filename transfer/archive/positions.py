"""Positions and angles as a person writes them; astropy reads what is more than a plain number of degrees."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TypeVar

_SEPARATORS = re.compile(r"[\s,;]+")
_PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
Read = TypeVar("Read")

_SIGNS = "+-\N{MINUS SIGN}"


def degrees_of_position(text: str) -> tuple[float, float]:
    """Return a position's right ascension and declination (ICRS, degrees).

    The text has both, in any form that astropy reads. An angle has the unit that it names; a plain number is
    in degrees; one in parts (`22:37:04`, `22 37 04`) is in hours for the right ascension and in degrees for
    the declination. Raises ValueError.
    """
    words = [word for word in _SEPARATORS.split(text) if word]
    middle = _middle(words)
    if middle:
        ra_deg = degrees_of_angle(" ".join(words[:middle]), in_parts="hourangle")
        dec_deg = degrees_of_angle(" ".join(words[middle:]))
    else:
        ra_deg, dec_deg = _read(_position, text)
    if not (0.0 <= ra_deg <= 360.0 and -90.0 <= dec_deg <= 90.0):
        raise ValueError("a right ascension is from 0 to 360°, a declination from -90 to 90°")
    return ra_deg % 360.0, dec_deg


def degrees_of_angle(text: str, *, in_parts: str = "deg") -> float:
    """Return an angle in degrees.

    A plain number is in degrees, one in parts without a unit (`2:30`) is in `in_parts`. Raises ValueError.
    """
    if _PLAIN.fullmatch(text.strip()):
        return float(text)
    degrees = _read(lambda written: _angle(written, in_parts), text)
    if not math.isfinite(degrees):
        raise ValueError(f"not an angle: {text}")
    return degrees


def _middle(words: list[str]) -> int:
    """Return how many of the words belong to the right ascension; 0 where that is not clear."""
    signed = next((at for at, word in enumerate(words) if at and word[0] in _SIGNS), 0)
    return signed or (len(words) // 2 if len(words) % 2 == 0 else 0)


def _angle(text: str, in_parts: str) -> float:
    from astropy.coordinates import Angle

    return float(Angle(text, unit=in_parts).deg)


def _position(text: str) -> tuple[float, float]:
    """Read a position that is one word, such as J223704+342456."""
    from astropy.coordinates import SkyCoord

    position = SkyCoord(text, unit=("hourangle", "deg"), frame="icrs")
    return float(position.ra.deg), float(position.dec.deg)


def _read(read: Callable[[str], Read], text: str) -> Read:
    try:
        return read(text)
    except Exception as error:  # astropy has a dozen kinds for a text that is no angle
        first_line = (str(error).strip().splitlines() or [type(error).__name__])[0]
        raise ValueError(first_line) from error
