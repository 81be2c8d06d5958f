"""The sky of one frame in plain numbers, as an entry carries it beside what the header says."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import isfinite
from typing import Any


@dataclass(frozen=True, slots=True)
class FrameSky:
    """Where a frame points and what the sky was like at mid-exposure; `None` where it is not known.

    `ra_deg` and `dec_deg` are ICRS, whatever equinox the header has. Altitudes are without
    refraction; `azimuth_deg` counts from north through east. `moon_illumination` is from 0 to 1.
    """

    ra_deg: float | None = None
    dec_deg: float | None = None
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    airmass: float | None = None
    sun_altitude_deg: float | None = None
    moon_altitude_deg: float | None = None
    moon_illumination: float | None = None
    moon_separation_deg: float | None = None

    def as_facts(self) -> dict[str, float]:
        """Return the facts that are known, in a form JSON can hold; NaN is not known."""
        facts = {field.name: getattr(self, field.name) for field in fields(self)}
        return {name: value for name, value in facts.items() if value is not None and isfinite(value)}

    @classmethod
    def from_facts(cls, facts: dict[str, Any]) -> FrameSky:
        """Make a FrameSky from what `as_facts` returned, without facts that this version does not know.

        Raises TypeError or ValueError where a fact is not a number (an entry edited by hand).
        """
        return cls(
            **{name: float(value) for name, value in facts.items() if name in _FACTS and value is not None}
        )


_FACTS = frozenset(field.name for field in fields(FrameSky))
