"""How far a calibration frame may be from what it calibrates."""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True)
class Tolerances:
    """The limits within which a calibration frame fits. Each default is common practice, no standard.

    An exposure fits within the larger of its two limits. Camera, size, binning, gain, offset, readout
    mode, filter and telescope have no tolerance: they agree, or the frame doesn't fit.

    Raises ValueError for a limit below zero.
    """

    exposure_relative: float = 0.01
    exposure_s: float = 0.05
    dark_flat_exposure_relative: float = 0.1
    dark_flat_exposure_s: float = 0.5
    sensor_deg_c: float = 1.0
    rotation_deg: float = 2.0
    focal_length_relative: float = 0.02
    flat_nights: int = 400
    """How many nights before or after its lights a flat may be."""
    library_nights: int = 30
    """Darks, dark flats and bias this many nights around the nearest fitting ones are taken together."""
    least_count: int = 5
    """A set of fewer frames does not beat a set of at least this many nearby."""

    def __post_init__(self) -> None:
        for field in fields(self):
            limit = getattr(self, field.name)
            if limit < 0:
                raise ValueError(f"{field.name} is {limit}; a tolerance is 0 or more")
