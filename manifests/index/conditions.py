"""Translates a query for frames into SQL conditions: constant text, every value a parameter."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from manifests.frames.measures.frame_measures import ARCSEC_PER_UM_PER_MM
from manifests.index.frame_query import Between, FrameQuery, Measured


@dataclass(slots=True)
class Conditions:
    """The conditions of a query, on series and on files, and their parameters.

    The conditions on series preselect; those on files decide.
    """

    on_series: list[str] = field(default_factory=lambda: ["series.is_frame = 1"])
    on_files: list[str] = field(default_factory=list)
    parameters: dict[str, object] = field(default_factory=dict)

    def sql(self) -> str:
        """Return all of them as one condition."""
        return " AND ".join((*self.on_series, *self.on_files))


def conditions_of(query: FrameQuery) -> Conditions:
    """Return a query's conditions."""
    conditions = Conditions()
    _names(conditions, query)
    _ranges(conditions, query)
    _cone(conditions, query)
    _findings(conditions, query)
    _measured(conditions, query)
    if not query.absent:
        conditions.on_series.append("bags.present = 1")
    return conditions


def _names(conditions: Conditions, query: FrameQuery) -> None:
    types = [kind.value for kind in query.frame_types]
    _one_of(conditions, "targets", "series.target IN (SELECT value FROM json_each(:targets))", query.targets)
    _one_of(conditions, "filters", "series.filter IN (SELECT value FROM json_each(:filters))", query.filters)
    _one_of(conditions, "cameras", "series.camera IN (SELECT value FROM json_each(:cameras))", query.cameras)
    _one_of(conditions, "types", "series.frame_type IN (SELECT value FROM json_each(:types))", types)


def _one_of(conditions: Conditions, name: str, condition: str, wanted: Sequence[str]) -> None:
    if wanted:
        conditions.on_series.append(condition)
        # One JSON text, however many names there are and whatever characters they hold.
        conditions.parameters[name] = json.dumps(list(wanted))


def _ranges(conditions: Conditions, query: FrameQuery) -> None:
    _night(conditions, query.nights)
    _range(conditions, "exposure_s", "files.exposure_s", query.exposure_s)
    _range(conditions, "altitude_deg", "files.sky_altitude_deg", query.altitude_deg)
    _range(conditions, "sun_altitude_deg", "files.sky_sun_altitude_deg", query.sun_altitude_deg)


def _night(conditions: Conditions, nights: Between[date] | None) -> None:
    if nights is not None and nights.least is not None:
        conditions.on_series.append("series.night >= :first_night")
        conditions.parameters["first_night"] = nights.least.isoformat()
    if nights is not None and nights.most is not None:
        conditions.on_series.append("series.night <= :last_night")
        conditions.parameters["last_night"] = nights.most.isoformat()


def _range(conditions: Conditions, fact: str, column: str, between: Between[float] | None) -> None:
    """Add a range of a fact of files; a series keeps the minimum and maximum over its files."""
    if between is not None and between.least is not None:
        conditions.on_series.append(f"series.most_{fact} >= :least_{fact}")
        conditions.on_files.append(f"{column} >= :least_{fact}")
        conditions.parameters[f"least_{fact}"] = between.least
    if between is not None and between.most is not None:
        conditions.on_series.append(f"series.least_{fact} <= :most_{fact}")
        conditions.on_files.append(f"{column} <= :most_{fact}")
        conditions.parameters[f"most_{fact}"] = between.most


# Where the header says no scale, this is NULL, and fits no range.
_SIZE_ARCSEC = (
    f"CASE WHEN series.pixel_um > 0 AND files.focal_length_mm > 0"
    f" THEN measures.size_px * {ARCSEC_PER_UM_PER_MM!r} * series.pixel_um / files.focal_length_mm END"
)


def _measured(conditions: Conditions, query: FrameQuery) -> None:
    for measure, between in query.measured.items():
        column = _SIZE_ARCSEC if measure is Measured.SIZE_ARCSEC else f"measures.{measure.value}"
        for end, limit, than in (("least", between.least, ">="), ("most", between.most, "<=")):
            if limit is not None:
                conditions.on_files.append(f"{column} {than} :{end}_{measure.value}")
                conditions.parameters[f"{end}_{measure.value}"] = limit


_WITHIN_CHORD = (
    "(files.direction_x - :x) * (files.direction_x - :x)"
    " + (files.direction_y - :y) * (files.direction_y - :y)"
    " + (files.direction_z - :z) * (files.direction_z - :z) <= :chord_squared"
)


def _cone(conditions: Conditions, query: FrameQuery) -> None:
    if query.cone is None:
        return
    for axis, centre, (least, most) in zip("xyz", query.cone.centre(), query.cone.box(), strict=True):
        conditions.on_series += [
            f"series.most_{axis} >= :least_{axis}",
            f"series.least_{axis} <= :most_{axis}",
        ]
        conditions.parameters |= {axis: centre, f"least_{axis}": least, f"most_{axis}": most}
    conditions.on_files.append(_WITHIN_CHORD)
    conditions.parameters["chord_squared"] = query.cone.greatest_chord_squared()


def _findings(conditions: Conditions, query: FrameQuery) -> None:
    if query.findings:
        conditions.on_files.append(
            "EXISTS (SELECT 1 FROM findings WHERE findings.file_id = files.id"
            " AND findings.kind IN (SELECT value FROM json_each(:findings)))"
        )
        conditions.parameters["findings"] = json.dumps([kind.value for kind in query.findings])
    if query.findings or query.any_finding:
        conditions.on_series.append("series.findings > 0")
        conditions.on_files.append("files.findings > 0")
