"""The archive's targets: what there is of each, since when, and where it is on the sky."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from sqlite3 import Row

from manifests.index.believing import TEXT, require_kinds
from manifests.index.cones import position
from manifests.index.frame_query import SECONDS_PER_HOUR
from manifests.index.opening import Index

# A frame whose type nobody knows may well be a light, and is not to be lost sight of.
_LIGHTS = "is_frame = 1 AND ifnull(frame_type, 'light') = 'light'"

_BY_FILTER = f"""
SELECT target, filter, sum(files), sum(total_exposure_s)
FROM series WHERE {_LIGHTS} GROUP BY target, filter ORDER BY target, filter
"""  # noqa: S608 - one constant of this module is put in
_BY_TARGET = f"""
SELECT target, count(DISTINCT night), min(night), max(night),
    sum(files), sum(total_exposure_s),
    sum(CASE WHEN bag_id IN (SELECT id FROM bags WHERE present = 0) THEN files ELSE 0 END),
    total(total_x), total(total_y), total(total_z), min(field_deg)
FROM series WHERE {_LIGHTS} GROUP BY target ORDER BY target
"""  # noqa: S608 - one constant of this module is put in


@dataclass(frozen=True, slots=True)
class FilterSum:
    """What there is in one filter; `filter` is None where nothing says which."""

    filter: str | None
    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target's lights; `target` is None for those of which nobody knows what they show.

    `ra_deg` and `dec_deg` (ICRS) are the middle of where its frames point, `field_deg` the shorter side of
    the smallest field among them. `absent_frames` are those of the frames whose bag is not there now.
    """

    target: str | None
    nights: int
    first_night: date
    last_night: date
    frames: int
    exposure_s: float
    filters: tuple[FilterSum, ...]
    ra_deg: float | None
    dec_deg: float | None
    field_deg: float | None
    absent_frames: int

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


def targets(index: Index) -> Iterator[TargetRow]:
    """Return the archive's targets, sorted by name. Raises IndexFault."""
    filters: dict[str | None, list[FilterSum]] = defaultdict(list)
    with index.snapshot():
        for target, *of_filter in index.rows(_BY_FILTER):
            require_kinds((target, of_filter[0]), (TEXT, TEXT))
            filters[target].append(FilterSum(*of_filter))
        found = [_target_row(row, tuple(filters[row[0]])) for row in index.rows(_BY_TARGET)]
    yield from found


def _target_row(row: Row, filters: tuple[FilterSum, ...]) -> TargetRow:
    target, nights, first, last, frames, exposure_s, absent, x, y, z, field_deg = row
    ra_deg, dec_deg = position(x, y, z) or (None, None)
    return TargetRow(
        target=target,
        nights=nights,
        first_night=date.fromisoformat(first),
        last_night=date.fromisoformat(last),
        frames=frames,
        exposure_s=exposure_s,
        filters=filters,
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        field_deg=field_deg,
        absent_frames=absent,
    )
