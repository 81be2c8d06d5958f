"""Steps from one layout of the index to the next."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from manifests.index.migrations import MIGRATIONS, NEWEST, Migration, migrate, version_of
from manifests.index.schema import APPLICATION_ID, FILE_COLUMNS, SERIES_COLUMNS

SECOND = Migration("a measure of every frame", ("ALTER TABLE files ADD COLUMN stars INTEGER",))
BROKEN = Migration("half of it works", ("CREATE TABLE stars (id)", "INSERT INTO nowhere VALUES (1)"))


@pytest.fixture
def connection(tmp_path: Path) -> Any:
    connection = sqlite3.connect(tmp_path / "index.sqlite", isolation_level=None)
    yield connection
    connection.close()


def test_an_empty_file_gets_every_step_and_a_record_of_each(connection: sqlite3.Connection) -> None:
    migrate(connection)
    assert version_of(connection) == NEWEST == len(MIGRATIONS)
    assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    records = connection.execute("SELECT version, name, applied_utc FROM migrations").fetchall()
    assert [record[:2] for record in records] == [
        (number, step.name) for number, step in enumerate(MIGRATIONS, 1)
    ]
    assert records[0][2].endswith("+00:00")


def test_every_column_that_the_program_fills_is_there(connection: sqlite3.Connection) -> None:
    migrate(connection)
    columns = {
        table: {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
        for table in ("series", "files")
    }
    assert {*SERIES_COLUMNS} <= columns["series"]
    assert {*FILE_COLUMNS} <= columns["files"]


def test_only_steps_that_were_not_taken_are_taken(connection: sqlite3.Connection) -> None:
    migrate(connection)
    migrate(connection, (*MIGRATIONS, SECOND))
    migrate(connection, (*MIGRATIONS, SECOND))
    assert version_of(connection) == NEWEST + 1
    versions = connection.execute("SELECT version FROM migrations").fetchall()
    assert versions == [(number,) for number in range(1, NEWEST + 2)]
    assert connection.execute("SELECT stars FROM files").fetchall() == []


def test_an_index_of_the_first_layout_reads_its_bags_again_for_the_stages(
    connection: sqlite3.Connection,
) -> None:
    migrate(connection, MIGRATIONS[:1])
    connection.execute("INSERT INTO bags (id, path, fingerprint, tag_inode) VALUES (7, 'M 33', 'ab', 3)")
    connection.execute("INSERT INTO series (id, bag_id, is_frame, night) VALUES (8, 7, 1, '2026-03-14')")
    file = "INSERT INTO files (id, series_id, path, size_bytes, sha256, line_digest, findings)"
    connection.execute(f"{file} VALUES (9, 8, 'data/a.fits', 1, x'00', -77777, 0)")
    migrate(connection)
    assert connection.execute("SELECT fingerprint, tag_inode FROM bags").fetchall() == [(None, None)]
    assert connection.execute("SELECT line_digest FROM files").fetchall() == [(9,)]
    assert connection.execute("SELECT stage FROM series").fetchall() == [(None,)]


def test_a_step_that_fails_leaves_nothing_behind(connection: sqlite3.Connection) -> None:
    migrate(connection)
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, (*MIGRATIONS, BROKEN))
    assert version_of(connection) == NEWEST
    assert not connection.in_transaction
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    assert "stars" not in tables
    assert connection.execute("SELECT count(*) FROM migrations").fetchone() == (NEWEST,)


def test_a_step_that_another_program_has_just_taken_is_not_taken_again(tmp_path: Path) -> None:
    path = tmp_path / "index.sqlite"
    first, second = (sqlite3.connect(path, isolation_level=None) for _ in range(2))
    migrate(first)
    taken_between = iter([NEWEST - 1])  # what the second saw before the first had written

    class Late(sqlite3.Connection):
        def execute(self, sql: str, *rest: Any) -> Any:
            if sql == "PRAGMA user_version" and (seen := next(taken_between, None)) is not None:
                return super().execute("SELECT ?", (seen,))
            return super().execute(sql, *rest)

    second.close()
    late = sqlite3.connect(path, isolation_level=None, factory=Late)
    migrate(late)
    versions = late.execute("SELECT version FROM migrations").fetchall()
    assert versions == [(number,) for number in range(1, NEWEST + 1)]
    first.close()
    late.close()
