"""Units of readings: astropy's names, and the signs that people write instead."""

from __future__ import annotations

from dataclasses import dataclass
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
_SHOWN = {DEG_C: "°C", "deg_F": "°F", "deg": "°", "pix": "px"}


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


def unit_shown(unit: str) -> str:
    """Return a unit as a screen shows it: °C for deg_C."""
    return _SHOWN.get(unit, unit)


def number_shown(value: float) -> str:
    """Return a number as a screen shows it: four digits that count, large ones whole."""
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"


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
