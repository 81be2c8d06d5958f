"""The caution that stands beside readings of electricity and of dew, wherever they are shown."""

from __future__ import annotations

_POWER = ("volt", "current", "supply", "mains", "power", "heater")
_POWER_UNITS = ("V", "A", "W", "mV", "mA")

CAUTION = (
    "Caution: readings of power and of dew are about electricity near water. Switch off at the socket"
    " before you touch a cable or a plug, and leave closed what is closed: nothing here is advice to open a"
    " powered box."
)


def concerns_power(quantity: str, unit: str) -> bool:
    """Return whether readings are of electricity or of dew, so that the caution belongs beside them."""
    name = quantity.casefold()
    return unit in _POWER_UNITS or "dew" in name or any(word in name for word in _POWER)
