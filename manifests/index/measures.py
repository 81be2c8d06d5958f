"""Measures of frames in the index, by the digest of the content, and the findings that follow from them."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from math import isfinite
from typing import Any, NamedTuple

from manifests.frames.measures.frame_measures import METHOD, FrameMeasures
from manifests.frames.measures.judging import KINDS, MeasuredFrame, findings_of
from manifests.index.believing import NUMBER, require_inside, require_kinds
from manifests.index.faults import SenselessValue
from manifests.index.opening import Index
from manifests.index.schema import MEASURES, insertion, quoted
from manifests.index.summaries import sum_up

_AT_ONCE = 1000

_KEEP = insertion("measures", ("sha256", "method", *MEASURES)).replace("INSERT", "INSERT OR REPLACE", 1)
_KINDS_OF_ROW: tuple[type | tuple[type, ...], ...] = (*([NUMBER] * (len(MEASURES) - 1)), str)

# The newest rows first: what was filed last is asked for first.
_LACKING = """
FROM files JOIN series ON series.id = files.series_id JOIN bags ON bags.id = series.bag_id
LEFT JOIN measures ON measures.sha256 = files.sha256
WHERE series.is_frame = 1 AND series.stage IS NULL AND bags.present = 1 AND files.id < :before
AND (measures.method IS NULL OR measures.method <> :method)
"""
_NEXT = f"""
SELECT files.id, bags.path, files.path, files.sha256, files.size_bytes,
    series.frame_type IS NULL OR series.frame_type = 'light', series.bayer_pattern IS NOT NULL
{_LACKING} ORDER BY files.id DESC LIMIT {_AT_ONCE}
"""
_COUNT = f"SELECT count(*), total(files.size_bytes) {_LACKING}"

_SERIES_OF = "SELECT DISTINCT series_id FROM files WHERE sha256 = ?"
_SERIES_MEASURED = (
    "SELECT DISTINCT series_id FROM measures CROSS JOIN files ON files.sha256 = measures.sha256"
)
_OF_SERIES = f"""
SELECT files.id, bag_id, files.exposure_s, files.begun_us, coalesce(files.sky_airmass, files.airmass),
    {quoted(MEASURES, "measures")}
FROM files JOIN measures ON measures.sha256 = files.sha256 JOIN series ON series.id = files.series_id
WHERE series_id = ?
"""  # noqa: S608 - constants of this module
_KIND_NAMES = ", ".join(f"'{kind.value}'" for kind in KINDS)
_FORGET = f"""
DELETE FROM findings WHERE kind IN ({_KIND_NAMES})
AND file_id IN (SELECT id FROM files WHERE series_id = ?)
"""  # noqa: S608 - likewise
_FOUND = insertion("findings", ("bag_id", "file_id", "kind", "detail", "path"))
_COUNTED = """
UPDATE files SET findings = (SELECT count(*) FROM findings WHERE file_id = files.id) WHERE series_id = ?
"""


class ToMeasure(NamedTuple):
    """A frame that is not measured yet: where it lies, its content, and how it is to be measured."""

    file_id: int
    bag: str
    path: str
    sha256: str
    size_bytes: int
    stars: bool
    mosaic: bool


class Lack(NamedTuple):
    """How many frames are not measured yet, and how many bytes they have."""

    frames: int
    size_bytes: int


def lack_of_measures(index: Index) -> Lack:
    """Return how much there is to measure. Raises IndexFault."""
    row = index.row(_COUNT, {"before": 2**63 - 1, "method": METHOD})
    return Lack(int(row[0]), int(row[1]))


def frames_to_measure(index: Index) -> Iterator[ToMeasure]:
    """Return the raw frames that are there and not measured, the newest rows first, each once.

    The index may be written to between two of them. Raises IndexFault.
    """
    before = 2**63 - 1
    while True:
        with index.snapshot():
            found = [_to_measure(row) for row in index.rows(_NEXT, {"before": before, "method": METHOD})]
        if not found:
            return
        yield from found
        before = found[-1].file_id


def _to_measure(row: Sequence[Any]) -> ToMeasure:
    file_id, bag, path, sha256, size_bytes, stars, mosaic = row
    require_kinds((file_id, bag, path, sha256, size_bytes), (int, str, str, bytes, int))
    require_inside(bag, path)
    return ToMeasure(file_id, bag, path, sha256.hex(), size_bytes, bool(stars), bool(mosaic))


def keep_measures(index: Index, measured: Mapping[str, FrameMeasures]) -> None:
    """Put measures, by the SHA-256 of the frames' content, into an index open for writing.

    The findings of their series follow. Raises IndexFault.
    """
    with index.writing() as connection:
        _keep(connection, ((bytes.fromhex(sha256), measures) for sha256, measures in measured.items()))
        series = {
            number
            for sha256 in measured
            for (number,) in connection.execute(_SERIES_OF, (bytes.fromhex(sha256),))
        }
        judge(connection, series)
        sum_up(connection, series)


def carry_measures(old: Index, new: Index) -> None:
    """Copy the measures of an old index into one that was rebuilt, of the content that it has.

    A frame that could not be measured is left out, and tried again by the next run. Raises IndexFault.
    """
    wanted = "SELECT 1 FROM files WHERE sha256 = ?"
    rows = old.rows(
        f"SELECT sha256, {quoted(MEASURES)} FROM measures WHERE method = ? AND why_not = ''",  # noqa: S608 - constants
        (METHOD,),
    )
    with old.snapshot(), new.writing() as connection:
        _keep(
            connection,
            (
                (sha256, measures_of(values))
                for sha256, *values in rows
                if connection.execute(wanted, (sha256,)).fetchone() is not None
            ),
        )
        series = [number for (number,) in connection.execute(_SERIES_MEASURED)]
        judge(connection, series)
        sum_up(connection, series)


def _keep(connection: sqlite3.Connection, measured: Iterable[tuple[bytes, FrameMeasures]]) -> None:
    connection.executemany(
        _KEEP,
        ((sha256, METHOD, *(getattr(measures, name) for name in MEASURES)) for sha256, measures in measured),
    )


def measures_of(values: Sequence[Any]) -> FrameMeasures:
    """Return measures from the values of their columns. Raises TypeError or ValueError for what are none."""
    require_kinds(values, _KINDS_OF_ROW)
    if not all(isfinite(value) for value in values[:-1] if value is not None):
        raise ValueError("a measure is not finite")
    return FrameMeasures(*values)


def judge(connection: sqlite3.Connection, series_ids: Collection[int]) -> None:
    """Make the findings of these series' frames follow from their measures.

    The totals of the series are to be summed up afterwards. Belongs into a transaction. Raises sqlite3.Error.
    """
    if connection.execute("SELECT 1 FROM measures LIMIT 1").fetchone() is None:
        return
    for number in series_ids:
        connection.execute(_FORGET, (number,))
        try:
            connection.executemany(_FOUND, _findings_of_series(connection, number))
        except (TypeError, ValueError) as error:
            raise SenselessValue(str(error)) from error
        connection.execute(_COUNTED, (number,))


def _findings_of_series(connection: sqlite3.Connection, series_id: int) -> list[tuple[object, ...]]:
    """Return the rows of a series' findings; frames of one exposure are compared with each other."""
    groups: dict[float | None, list[tuple[int, int, MeasuredFrame]]] = {}
    for file_id, bag_id, exposure_s, begun_us, airmass, *values in connection.execute(
        _OF_SERIES, (series_id,)
    ):
        frame = MeasuredFrame(begun_us, measures_of(values), airmass)
        groups.setdefault(exposure_s, []).append((bag_id, file_id, frame))
    return [
        (bag_id, file_id, finding.kind.value, finding.detail, "")
        for group in groups.values()
        for (bag_id, file_id, _), found in zip(
            group, findings_of([frame for _, _, frame in group]), strict=True
        )
        for finding in found
    ]
