"""A night as it was watched: from when, until its first failure or its end, and what was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from manifests.readings.happenings import Failure, Span
from manifests.readings.series import Series

Quantity = tuple[str, str]
"""What a quantity is called, and its unit."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One night, from when to when it is watched: its first failure, or None, and its readings."""

    up: Span
    first: Failure | None
    series: Mapping[Quantity, Series]

    @property
    def until_us(self) -> int:
        """Return the moment of the failure, else the night's end."""
        return self.up.to_us if self.first is None else self.first.at_us
