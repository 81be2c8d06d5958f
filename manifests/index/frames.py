"""Frames found in the index, and what they add up to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import repeat
from types import NoneType
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.frame_sky import FrameSky
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.believing import NUMBER, TEXT, require_inside, require_kinds
from manifests.index.conditions import Conditions, conditions_of
from manifests.index.faults import IndexDamaged
from manifests.index.frame_query import FrameQuery, FrameRow, Order, Total
from manifests.index.measures import measures_of
from manifests.index.opening import Index
from manifests.index.schema import (
    COMMON_FACTS,
    COMMON_TEXTS,
    COUNTED_EXPOSURE,
    COUNTED_SERIES,
    MEASURES,
    OWN_NUMBERS,
    SKY_FACTS,
    quoted,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_PLACE = ("id", "path", "size_bytes", "sha256", "findings", "field_deg", "begun_us")
_NAMED = ("night", "target", "filter", "in_use")
_SELECT = (
    f"SELECT bags.path, bags.present, {quoted(_PLACE, 'files')}, {quoted(_NAMED, 'series')},"
    f" {quoted(COMMON_FACTS, 'series')}, {quoted(OWN_NUMBERS, 'files')},"
    f" {quoted(tuple(f'sky_{name}' for name in SKY_FACTS), 'files')},"
    f" {quoted(MEASURES, 'measures')}"
)
_COMMON = slice(13, 13 + len(COMMON_FACTS))
_OWN = slice(_COMMON.stop, _COMMON.stop + len(OWN_NUMBERS))
_SKY = slice(_OWN.stop, _OWN.stop + len(SKY_FACTS))
_MEASURES = slice(_SKY.stop, _SKY.stop + len(MEASURES))

_KINDS_OF_ROW = (
    *(str, int, int, str, int, bytes, int, NUMBER, (int, NoneType), str, TEXT, TEXT, int),
    *(TEXT if name in COMMON_TEXTS else NUMBER for name in COMMON_FACTS),
    *repeat(NUMBER, len(OWN_NUMBERS) + len(SKY_FACTS)),
    *(TEXT if name == "why_not" else NUMBER for name in MEASURES),
)

# CROSS JOIN keeps the tables in this order: the few series first, or the files in order of time.
_BY_SERIES = """
FROM series JOIN bags ON bags.id = series.bag_id CROSS JOIN files ON files.series_id = series.id
LEFT JOIN measures ON measures.sha256 = files.sha256
"""
_BY_TIME = """
FROM files INDEXED BY files_by_time CROSS JOIN series ON series.id = files.series_id
CROSS JOIN bags ON bags.id = series.bag_id
LEFT JOIN measures ON measures.sha256 = files.sha256
"""
_SERIES_ONLY = "FROM series JOIN bags ON bags.id = series.bag_id"

_ORDERED_BY = {
    Order.TIME: (),
    Order.NIGHT: ("series.night",),
    Order.TARGET: ("series.target",),
    Order.FILTER: ("series.filter",),
    Order.TYPE: ("series.frame_type",),
    Order.EXPOSURE: ("files.exposure_s",),
    Order.ALTITUDE: ("files.sky_altitude_deg",),
    Order.STARS: ("measures.stars",),
    Order.SIZE: ("measures.size_px",),
    Order.ELONGATION: ("measures.elongation",),
    Order.BACKGROUND: ("measures.background_adu",),
    Order.NOISE: ("measures.noise_adu",),
}
_EQUALS_BY = ("files.begun_us", "bags.path", "files.path")

# A question that fits a good part of all frames and wants only the first is answered fastest by
# walking through all in order of time.
_GOOD_PART = 0.25


def frames(index: Index, query: FrameQuery) -> Iterator[FrameRow]:
    """Return the frames that a query finds, in its order, as they come. Raises IndexFault."""
    conditions = conditions_of(query)
    tables = _BY_TIME if _is_broad(index, query, conditions) else _BY_SERIES
    limit = -1 if query.limit is None else max(query.limit, 0)
    sql = f"{_SELECT} {tables} WHERE {conditions.sql()} ORDER BY {_order(query)} LIMIT :limit"
    for row in index.rows(sql, conditions.parameters | {"limit": limit}):
        try:
            found = _frame_row(index, row[:])
        except (ValueError, TypeError, OverflowError, AttributeError) as error:
            raise IndexDamaged(index.path, f"the index is damaged ({error})") from error
        yield found


def total(index: Index, query: FrameQuery) -> Total:
    """Return the totals of the frames that a query finds, whatever its limit. Raises IndexFault."""
    conditions = conditions_of(query)
    if conditions.on_files:
        files, exposure_s, tables = "count(*)", COUNTED_EXPOSURE, _BY_SERIES
    else:
        files, exposure_s, tables = "total(series.files)", "series.total_exposure_s", _SERIES_ONLY
    sums = f"{files}, total(CASE WHEN {COUNTED_SERIES} THEN {exposure_s} END)"
    row = index.row(f"SELECT {sums} {tables} WHERE {conditions.sql()}", conditions.parameters)
    return Total(int(row[0]), row[1])


def _is_broad(index: Index, query: FrameQuery, conditions: Conditions) -> bool:
    if query.limit is None or query.order is not Order.TIME:
        return False
    where = " AND ".join(conditions.on_series)
    fitting = index.row(f"SELECT total(series.files) {_SERIES_ONLY} WHERE {where}", conditions.parameters)
    everything = index.row("SELECT total(files) FROM series")
    return bool(fitting[0] > _GOOD_PART * everything[0])


def _order(query: FrameQuery) -> str:
    direction = " DESC" if query.descending else ""
    return ", ".join(f"{term}{direction}" for term in (*_ORDERED_BY[query.order], *_EQUALS_BY))


def _frame_row(index: Index, row: tuple[Any, ...]) -> FrameRow:
    require_kinds(row, _KINDS_OF_ROW)
    require_inside(row[0], row[3])
    bag, present, file_id, path, size_bytes, sha256, findings, field_deg, begun_us = row[:9]
    night, target, filter_, in_use = row[9:13]
    return FrameRow(
        bag=bag,
        path=path,
        night=date.fromisoformat(night),
        target=target,
        filter=filter_,
        size_bytes=size_bytes,
        sha256=sha256.hex(),
        frame=_frame(row[_COMMON], row[_OWN], begun_us),
        sky=FrameSky(*row[_SKY]),
        field_deg=field_deg,
        findings=_findings_of(index, file_id) if findings else (),
        absent=not present,
        measures=_measures(row[_MEASURES]),
        in_use=bool(in_use),
    )


def _measures(row: tuple[Any, ...]) -> FrameMeasures | None:
    """Return a frame's measures, None where it was not measured yet. Raises as `measures_of` does."""
    return None if row[-1] is None else measures_of(row)  # no reason, not even an empty one: no row


def _frame(common: Sequence[Any], own: Sequence[Any], begun_us: int | None) -> Frame:
    facts = dict(zip(COMMON_FACTS, common, strict=True)) | dict(zip(OWN_NUMBERS, own, strict=True))
    if facts["frame_type"] is not None:
        facts["frame_type"] = FrameType(facts["frame_type"])
    if facts["stage"] is not None:
        facts["stage"] = Stage(facts["stage"])
    begun_utc = None if begun_us is None else _EPOCH + timedelta(microseconds=begun_us)
    return Frame(begun_utc=begun_utc, **facts)


def _findings_of(index: Index, file_id: int) -> tuple[Finding, ...]:
    rows = index.rows("SELECT kind, detail, path FROM findings WHERE file_id = ? ORDER BY rowid", (file_id,))
    return tuple(Finding(FindingKind(kind), detail, path) for kind, detail, path in rows)
