"""Copies the rows of bags that vanished from an old index into a rebuilt one, because no bag lists them."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from manifests.index.found_bags import FoundBags
from manifests.index.opening import Index
from manifests.index.schema import insertion

_ROWS_OF_BAG = {
    "bags": "SELECT * FROM bags WHERE id = ?",
    "series": "SELECT * FROM series WHERE bag_id = ?",
    "files": "SELECT files.* FROM series JOIN files ON files.series_id = series.id WHERE bag_id = ?",
    "findings": "SELECT * FROM findings WHERE bag_id = ?",
    "statements": "SELECT * FROM statements WHERE bag_id = ?",
}
# Whose ids a column of ids holds.
_IDS = {
    "bags": {"id": "bags"},
    "series": {"id": "series", "bag_id": "bags"},
    "files": {"id": "files", "series_id": "series"},
    "findings": {"bag_id": "bags", "file_id": "files"},
    "statements": {"bag_id": "bags"},
}


def carry_over(old: Index, new: Index, found: FoundBags) -> None:
    """Copy the bags that were not found, here or under another path, into the new index.

    They are marked absent, unless they may lie in a folder that could not be read.
    Raises IndexFault.
    """
    fingerprints = {row["fingerprint"] for row in new.rows("SELECT fingerprint FROM bags")} - {None}
    missing = [
        (row["id"], row["path"])
        for row in old.rows("SELECT id, path, fingerprint FROM bags")
        if row["path"] not in found.bags and row["fingerprint"] not in fingerprints
    ]
    above = _ids_in_use(new)
    with new.writing() as connection:
        for bag_id, path in missing:
            for table in _ROWS_OF_BAG:
                _copy(old, connection, table, bag_id, above)
            if not found.may_lie_unseen(path):
                connection.execute("UPDATE bags SET present = 0 WHERE path = ?", (path,))


def _ids_in_use(index: Index) -> dict[str, int]:
    """Return the largest id of each table; copied rows are numbered above it."""
    row = index.row(
        "SELECT ifnull((SELECT max(id) FROM bags), 0) AS bags,"
        " ifnull((SELECT max(id) FROM series), 0) AS series,"
        " ifnull((SELECT max(id) FROM files), 0) AS files"
    )
    return dict(row)


def _copy(
    old: Index, connection: sqlite3.Connection, table: str, bag_id: int, above: Mapping[str, int]
) -> None:
    for row in old.rows(_ROWS_OF_BAG[table], (bag_id,)):
        values = dict(row)
        for column, of in _IDS[table].items():
            if values[column] is not None:
                values[column] += above[of]
        connection.execute(insertion(table, tuple(values)), tuple(values.values()))
