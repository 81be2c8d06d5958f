"""Connections to the index: with a write-ahead log where programs can share memory beside the file."""

from __future__ import annotations

import sqlite3
from pathlib import Path, PurePath
from urllib.parse import quote

# What SQLite says of file systems in which programs can't share memory.
NO_SHARED_MEMORY = frozenset(
    (
        sqlite3.SQLITE_IOERR_SHMOPEN,
        sqlite3.SQLITE_IOERR_SHMSIZE,
        sqlite3.SQLITE_IOERR_SHMLOCK,
        sqlite3.SQLITE_IOERR_SHMMAP,
    )
)
_PROBE = "SELECT count(*) FROM sqlite_master"


def connected(uri: str, patience_s: float) -> sqlite3.Connection:
    """Connect; what is written is one transaction only where it says so."""
    connection = sqlite3.connect(uri, uri=True, timeout=patience_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def uri_of(path: PurePath, mode: str) -> str:
    """Give a path as SQLite's URI: `file:///C:/…`, `file:////server/share/…`, `file:///home/…`."""
    posix = path.as_posix()
    root = "" if posix.startswith("/") else "/"
    return f"file://{root}{quote(posix, safe='/:', errors='surrogateescape')}?mode={mode}"


def with_journal(path: Path, on_network: bool, patience_s: float) -> sqlite3.Connection:
    """Connect, with a write-ahead log where programs can share memory beside the file."""
    if on_network:
        return _set_up(path, patience_s, "PRAGMA journal_mode = DELETE")
    try:
        return _set_up(path, patience_s, "PRAGMA journal_mode = WAL", _PROBE)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode not in NO_SHARED_MEMORY:
            raise
    return without_a_log(path, patience_s)


def without_a_log(path: Path, patience_s: float) -> sqlite3.Connection:
    """Connect where memory can't be shared: who has the file to himself takes a log in without it.

    https://www.sqlite.org/wal.html, "Use of WAL Without Shared-Memory".
    """
    alone = ("PRAGMA locking_mode = EXCLUSIVE", "PRAGMA journal_mode = DELETE")
    return _set_up(path, patience_s, *alone, "PRAGMA locking_mode = NORMAL", _PROBE)


def _set_up(path: Path, patience_s: float, *pragmas: str) -> sqlite3.Connection:
    connection = connected(uri_of(path, "rwc"), patience_s)
    try:
        for pragma in pragmas:
            connection.execute(pragma).fetchall()
    except BaseException:
        connection.close()
        raise
    return connection
