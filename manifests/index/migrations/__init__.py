"""The index's layouts, one after another: each step in one transaction, with its record."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from manifests.index.migrations.first import FIRST
from manifests.index.migrations.later import READ_AGAIN, STAGES


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: what it is for, and the statements that make it. Its number is its place, from 1."""

    name: str
    statements: tuple[str, ...]


MIGRATIONS = (
    Migration("bags, series, files and findings", FIRST),
    Migration("the stage of a frame", (*STAGES, *READ_AGAIN)),
)
NEWEST = len(MIGRATIONS)

_RECORD = "INSERT INTO migrations (version, name, applied_utc) VALUES (?, ?, ?)"


def version_of(connection: sqlite3.Connection) -> int:
    """Give the number of the last step that was taken; 0 where none was."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def migrate(connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS) -> None:
    """Take the steps that were not taken yet. A step that fails leaves nothing behind.

    The connection is in autocommit mode. Raises sqlite3.Error.
    """
    while version_of(connection) < len(steps):
        connection.execute("BEGIN IMMEDIATE")
        try:
            _step(connection, steps)
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _step(connection: sqlite3.Connection, steps: Sequence[Migration]) -> None:
    # Asked again under the lock: another program may have taken the step meanwhile.
    version = version_of(connection) + 1
    if version > len(steps):
        return
    step = steps[version - 1]
    for statement in step.statements:
        connection.execute(statement)
    connection.execute(_RECORD, (version, step.name, datetime.now(UTC).isoformat(timespec="seconds")))
    connection.execute(f"PRAGMA user_version = {version:d}")  # a PRAGMA takes no parameters
