"""The index's schema versions: each step in one transaction, with its record.

An index is compared, to the letter, with what these steps make: change no statement of a step that was
released, its comments included; add a step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

from manifests.index.migrations.first import FIRST
from manifests.index.migrations.later import IN_USE, MEASURED, READ_AGAIN, ROTATORS, SAID_AND_LOGGED, STAGES


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: what it is for, and the statements that make it. Its number is its place, from 1."""

    name: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration("bags, series, files and findings", FIRST),
    Migration("the stage of a frame", (*STAGES, *READ_AGAIN)),
    Migration("the angle of a rotator, the serial number of a camera", (*ROTATORS, *READ_AGAIN)),
    Migration("what a person says, and what logs say", SAID_AND_LOGGED),
    Migration("no value that a list cannot show", READ_AGAIN),
    Migration("measures of frames", MEASURED),
    Migration("frames that a person does not use", IN_USE),
)
NEWEST = len(MIGRATIONS)

_SCHEMA = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name"
_RECORD = "INSERT INTO migrations (version, name, applied_utc) VALUES (?, ?, ?)"


Schema = tuple[tuple[str, str, str, str | None], ...]


def version_of(connection: sqlite3.Connection) -> int:
    """Return the number of the last step that was taken; 0 where none was."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def schema_of(connection: sqlite3.Connection) -> Schema:
    """Return every table, index, view and trigger with its name, its table and its SQL, in order."""
    return tuple(map(tuple, connection.execute(_SCHEMA)))


@cache
def schema_after(steps: tuple[Migration, ...]) -> Schema:
    """Return what `schema_of` returns of a database that has taken these steps and nothing else."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for step in steps:
            for statement in step.statements:
                connection.execute(statement)
        return schema_of(connection)


def migrate(connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS) -> None:
    """Take the steps that were not taken yet; a step that fails leaves nothing behind.

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
