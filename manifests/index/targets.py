"""The archive's targets: what there is of each, since when, and where it is on the sky."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from sqlite3 import Row

from manifests.index.believing import TEXT, require_kinds
from manifests.index.cones import position
from manifests.index.frame_query import SECONDS_PER_HOUR
from manifests.index.names import AS_ARCHIVED, ShownNames
from manifests.index.opening import Index
from manifests.index.schema import COUNTED_SERIES

# A frame whose type nobody knows may well be a light, and is not to be lost sight of.
_LIGHTS = "is_frame = 1 AND ifnull(frame_type, 'light') = 'light'"

_COUNTED_FILES = f"CASE WHEN {COUNTED_SERIES} THEN files ELSE 0 END"
_COUNTED_EXPOSURE = f"CASE WHEN {COUNTED_SERIES} THEN total_exposure_s ELSE 0.0 END"

_BY_FILTER = f"""
SELECT {{target}}, {{filter}}, sum({_COUNTED_FILES}), sum({_COUNTED_EXPOSURE})
FROM series WHERE {_LIGHTS} GROUP BY 1, 2 ORDER BY 1, 2
"""  # noqa: S608 - constants of this module are put in
_BY_TARGET = f"""
SELECT {{target}}, count(DISTINCT CASE WHEN {COUNTED_SERIES} THEN night END), min(night), max(night),
    sum({_COUNTED_FILES}), sum({_COUNTED_EXPOSURE}), sum(CASE WHEN in_use = 1 THEN files ELSE 0 END),
    sum(CASE WHEN in_use = 0 THEN files ELSE 0 END),
    sum(CASE WHEN bag_id IN (SELECT id FROM bags WHERE present = 0) THEN files ELSE 0 END),
    total(total_x), total(total_y), total(total_z), min(field_deg)
FROM series WHERE {_LIGHTS} GROUP BY 1 ORDER BY 1
"""  # noqa: S608 - likewise
_SHOWN = "coalesce((SELECT value FROM json_each(:{0}s) WHERE key = {0}), {0})"


@dataclass(frozen=True, slots=True)
class FilterSum:
    """The totals of one filter; `filter` is None where it is not known."""

    filter: str | None
    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class TargetRow:
    """One target's lights; `target` is None where it is not known.

    `frames` and exposures are those of the raw frames, nights those of any; `results` counts stacks and
    calibrated frames, `not_in_use` the frames that a person does not use. `ra_deg` and `dec_deg` (ICRS) are
    the middle of where the frames point, `field_deg` the shorter side of the smallest field among them.
    `absent_frames` are frames whose bag is not there now.
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
    results: int = 0
    not_in_use: int = 0

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


def targets(index: Index, shown: ShownNames = AS_ARCHIVED) -> Iterator[TargetRow]:
    """Return the archive's targets by the names that are `shown`, sorted. Raises IndexFault."""
    names, parameters = {"target": "target", "filter": "filter"}, {}
    if shown:
        names = {name: _SHOWN.format(name) for name in names}
        parameters = {"targets": json.dumps(shown.targets), "filters": json.dumps(shown.filters)}
    by_target = {"targets": parameters["targets"]} if shown else {}
    filters: dict[str | None, list[FilterSum]] = defaultdict(list)
    with index.snapshot():
        for target, name, frames, exposure_s in index.rows(_BY_FILTER.format(**names), parameters):
            require_kinds((target, name), (TEXT, TEXT))
            if frames:
                filters[target].append(FilterSum(name, frames, exposure_s))
        found = [
            _target_row(row, tuple(filters[row[0]]))
            for row in index.rows(_BY_TARGET.format(**names), by_target)
        ]
    yield from found


def _target_row(row: Row, filters: tuple[FilterSum, ...]) -> TargetRow:
    target, nights, first, last, frames, exposure_s, used, unused, absent, x, y, z, field_deg = row
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
        results=used - frames,
        not_in_use=unused,
    )
