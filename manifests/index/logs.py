"""What the index keeps of logs that were read by a description."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

_DROP = (
    "DELETE FROM readings WHERE log_id IN (SELECT id FROM logs WHERE file_id = ?)",
    "DELETE FROM events WHERE log_id IN (SELECT id FROM logs WHERE file_id = ?)",
    "DELETE FROM logs WHERE file_id = ?",
)


def drop_logs(connection: sqlite3.Connection, file_ids: Iterable[int]) -> None:
    """Forget what was read from files. Belongs into a transaction. Raises sqlite3.Error."""
    ids = [(file_id,) for file_id in file_ids]
    for statement in _DROP:
        connection.executemany(statement, ids)
