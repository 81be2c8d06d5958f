"""Units of readings: astropy's names, and the signs that people write instead."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

DEG_C = "deg_C"
PERCENT = "%"

# What people write, and astropy's name of it. astropy reads "C" as coulomb and "F" as farad: only what
# names a degree is a temperature here.
_SIGNS = {
    "°C": DEG_C,
    "℃": DEG_C,
    "°F": "deg_F",
    "℉": "deg_F",
    "deg C": DEG_C,
    "deg F": "deg_F",
    "degC": DEG_C,
    "degF": "deg_F",
    "celsius": DEG_C,
    "fahrenheit": "deg_F",
    "°": "deg",
    "″": "arcsec",
    "′": "arcmin",
    "percent": PERCENT,
    "px": "pix",
}
_SHOWN = {DEG_C: "°C", "deg_F": "°F", "deg": "°", "pix": "px", "1": ""}
_PER_HOUR = "/h"
_MOST_DECIMALS, _LARGE = 6, 1e9


@dataclass(frozen=True, slots=True)
class Conversion:
    """From one unit to another: value × scale + zero."""

    scale: float = 1.0
    zero: float = 0.0

    def of(self, value: float) -> float:
        """Return a value in the other unit."""
        return value * self.scale + self.zero


def unit_named(written: str) -> str:
    """Return astropy's name of a unit as it is kept and printed; "" for no unit.

    Raises ValueError where astropy knows no such unit.
    """
    name = _SIGNS.get(written.strip(), written.strip())
    if name not in ("", DEG_C, PERCENT):
        _parsed(name)
    return name


def per_hour(unit: str) -> str:
    """Return the unit of a change per hour: "deg_C/h", "(m/s)/h"; "1/h" for a bare number."""
    return f"({unit}){_PER_HOUR}" if "/" in unit else f"{unit or 1}{_PER_HOUR}"


def unit_shown(unit: str) -> str:
    """Return a unit as a screen shows it: °C for deg_C, °C/h for deg_C/h."""
    if unit.endswith(_PER_HOUR):
        return unit_shown(unit.removesuffix(_PER_HOUR)) + _PER_HOUR
    return _SHOWN.get(unit, unit)


def decimals_among(values: Iterable[float]) -> int:
    """Return how many decimals show values beside each other: two or three digits of what they span.

    Never more decimals than the values themselves have.
    """
    there = [value for value in values if math.isfinite(value)]
    if not there:
        return 0
    written = min(max(_decimals_written(value) for value in there), _MOST_DECIMALS)
    span = max(there) - min(there)
    return min(written, max(0, 1 - math.floor(math.log10(span / 2)))) if span else min(written, 2)


def _decimals_written(value: float) -> int:
    exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def number_shown(value: float, decimals: int) -> str:
    """Return a number as a screen shows it, with so many decimals; a zero has no minus."""
    if abs(value) >= _LARGE:
        return f"{value:.4g}"
    shown = f"{value:.{decimals}f}"
    return shown.removeprefix("-") if float(shown) == 0 else shown


def conversion(unit: str, to: str) -> Conversion:
    """Return how values of one unit become those of another. Raises ValueError where they cannot."""
    if unit == to:
        return Conversion()
    from astropy import units

    try:
        zero, one = (
            float(_parsed(unit).to(_parsed(to), value, equivalencies=units.temperature()))
            for value in (0.0, 1.0)
        )
    except (units.UnitConversionError, units.UnitTypeError) as error:
        raise ValueError(f"{unit or 'a bare number'} cannot become {to or 'a bare number'}") from error
    return Conversion(one - zero, zero)


def is_temperature(unit: str) -> bool:
    """Return whether a unit is one of temperature."""
    return unit in (DEG_C, "deg_F", "K")


def _parsed(name: str) -> Any:
    from astropy import units  # slow to load, and needed only for what is not °C or %
    from astropy.units import imperial

    if name == "deg_F":
        return imperial.deg_F
    try:
        return units.Unit(name)
    except (ValueError, TypeError) as error:
        raise ValueError(f"astropy knows no unit {name!r}") from error
