"""Connections to the index: with a write-ahead log where programs can share memory beside the file."""

from __future__ import annotations

import sqlite3
from contextlib import suppress
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
# The longest row of ours comes from one line of a bag's entries, which is bounded far below this.
_LONGEST_VALUE_BYTES = 1 << 24
# Building an index and listing its frames each take about half a step a byte (measured with 9,000 frames).
_STEPS_BETWEEN = 1_000_000
_STEPS_ANYWAY = 20_000_000
_STEPS_PER_BYTE = 50

_PROBE = "SELECT count(*) FROM sqlite_master"


def connected(path: Path, mode: str, patience_s: float, *, immutable: bool = False) -> sqlite3.Connection:
    """Connect to a file that is not trusted, in autocommit mode.

    `mode` is `ro`, `rw` or `rwc`. A query that takes more steps than a file of that size explains ends with
    SQLITE_INTERRUPT, and a value larger than any of ours with SQLITE_TOOBIG.
    """
    uri = uri_of(path, mode) + ("&immutable=1" if immutable else "")
    connection = sqlite3.connect(uri, uri=True, timeout=patience_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_VALUE_BYTES)
    connection.set_progress_handler(_Steps(path), _STEPS_BETWEEN)
    for setting in ("trusted_schema = OFF", "cell_size_check = ON"):
        connection.execute(f"PRAGMA {setting}")
    return connection


class _Steps:
    """Counts the steps of SQLite's virtual machine; true once a connection has taken too many.

    Pages that point at each other make a small file endless to read. Writing makes the file, or the log
    beside it, grow, and the limit with it.
    """

    def __init__(self, path: Path) -> None:
        self._files = (path, path.with_name(path.name + "-wal"))
        self._taken = 0

    def __call__(self) -> bool:
        self._taken += _STEPS_BETWEEN
        return self._taken > _STEPS_ANYWAY and self._taken > _STEPS_ANYWAY + _STEPS_PER_BYTE * self._bytes()

    def _bytes(self) -> int:
        size_bytes = 0
        for file in self._files:
            with suppress(OSError):
                size_bytes += file.stat().st_size
        return size_bytes


def uri_of(path: PurePath, mode: str) -> str:
    """Return a path as SQLite's URI: `file:///C:/…`, `file:////server/share/…`, `file:///home/…`."""
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
    """Connect where memory cannot be shared: with exclusive access a log is merged without it.

    https://www.sqlite.org/wal.html, "Use of WAL Without Shared-Memory".
    """
    alone = ("PRAGMA locking_mode = EXCLUSIVE", "PRAGMA journal_mode = DELETE")
    return _set_up(path, patience_s, *alone, "PRAGMA locking_mode = NORMAL", _PROBE)


def _set_up(path: Path, patience_s: float, *pragmas: str) -> sqlite3.Connection:
    connection = connected(path, "rwc", patience_s)
    try:
        for pragma in pragmas:
            connection.execute(pragma).fetchall()
    except BaseException:
        connection.close()
        raise
    return connection
