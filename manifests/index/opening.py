"""The index opened, by one writer at a time and any number of readers; refused where it can't be believed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePath
from types import TracebackType
from typing import Self
from urllib.parse import quote

from manifests.index.faults import (
    IndexDamaged,
    IndexNewer,
    IndexOlder,
    IndexUnusable,
    NoIndex,
    fault_of,
    faults_of,
)
from manifests.index.migrations import NEWEST, migrate, version_of
from manifests.index.schema import APPLICATION_ID

# How long a writer waits for another, or a reader for the moment in which a log is taken in.
PATIENCE_S = 10.0

Parameters = Sequence[object] | Mapping[str, object]


class Index:
    """An open index. Every error of SQLite's leaves it as an IndexFault.

    Use it as a context, or close it: the last to close takes the write-ahead log in.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it. Raises IndexFault where what was written can't be taken in."""
        with faults_of(self.path):
            self.connection.close()

    def rows(self, sql: str, parameters: Parameters = ()) -> Iterator[sqlite3.Row]:
        """Give the rows of one question as they come. Raises IndexFault."""
        with faults_of(self.path):
            yield from self.connection.execute(sql, parameters)

    def row(self, sql: str, parameters: Parameters = ()) -> sqlite3.Row:
        """Give the one row of a question that always has one. Raises IndexFault."""
        return next(self.rows(sql, parameters))

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let several questions see one state; an answer that makes no sense is damage. Raises IndexFault."""
        with faults_of(self.path):
            begun = not self.connection.in_transaction
            if begun:
                self.connection.execute("BEGIN")
            try:
                yield
            except (ValueError, TypeError, KeyError, OverflowError) as error:
                raise IndexDamaged(self.path, f"the index is damaged ({error})") from error
            finally:
                if begun:
                    self.connection.execute("COMMIT")

    def keep_log(self, on_network: bool) -> None:
        """Keep a write-ahead log, or on a network a rollback journal. Raises IndexFault."""
        with faults_of(self.path):
            self.connection.execute(f"PRAGMA journal_mode = {'DELETE' if on_network else 'WAL'}")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for one transaction: all of it is kept, or nothing. Raises IndexFault."""
        with faults_of(self.path):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
            except BaseException:
                if self.connection.in_transaction:  # a full disk has ended it already
                    self.connection.execute("ROLLBACK")
                raise
            self.connection.execute("COMMIT")


def open_index(
    path: Path, *, write: bool = False, on_network: bool = False, patience_s: float = PATIENCE_S
) -> Index:
    """Open the index at `path`; to write, it is made where there is none, and brought up to date.

    A reader brings an older one up to date, too, where it may. `on_network` says that other computers
    open the same file: a write-ahead log works between the programs of one computer only, so that a
    rollback journal is kept instead, which everybody who opens the file afterwards will follow.
    Raises NoIndex, IndexNewer (nothing was touched), IndexOlder, IndexDamaged, IndexBusy, IndexUnusable.
    """
    path = path.absolute()
    version = _version_found(path, patience_s)
    if not write and version == 0:
        raise NoIndex(path)
    if write or version < NEWEST:
        try:
            _bring_up_to_date(path, on_network, patience_s)
        except IndexUnusable as fault:
            if write:
                raise
            raise IndexOlder(path, version, NEWEST) from fault
    return Index(path, _writer(path, patience_s) if write else _reader(path, patience_s))


def open_place(path: Path, *, on_network: bool = False, patience_s: float = PATIENCE_S) -> Index:
    """Open the file at `path`, empty where there is none, for a whole index to be put in.

    Raises IndexFault.
    """
    place = Index(path.absolute(), _writer(path.absolute(), patience_s))
    place.keep_log(on_network)
    return place


def _version_found(path: Path, patience_s: float) -> int:
    """Look at what lies at `path` without changing it, and give its version; 0 where nothing does."""
    if not _is_there(path):
        return 0
    connection = _reader(path, patience_s)
    try:
        with faults_of(path):
            version = version_of(connection)
            application = connection.execute("PRAGMA application_id").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    finally:
        connection.close()
    if version > NEWEST and application == APPLICATION_ID:
        raise IndexNewer(path, version, NEWEST)
    if tables and application != APPLICATION_ID:
        raise IndexDamaged(path, "the file is a database, but not an index of this program")
    if application == APPLICATION_ID and not (tables and version):
        raise IndexDamaged(path, "the index is damaged (it has no tables)")
    return version


def _is_there(path: Path) -> bool:
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise IndexUnusable(path, f"the index could not be used ({error.strerror})") from error
    return True


def _bring_up_to_date(path: Path, on_network: bool, patience_s: float) -> None:
    with open_place(path, on_network=on_network, patience_s=patience_s) as index, faults_of(path):
        migrate(index.connection)


def _writer(path: Path, patience_s: float) -> sqlite3.Connection:
    with faults_of(path):
        connection = _connected(_uri(path, "rwc"), patience_s)
        # A power cut may lose the last transactions of a write-ahead log, never the file's soundness.
        connection.execute("PRAGMA synchronous = NORMAL")
        return connection


def _reader(path: Path, patience_s: float) -> sqlite3.Connection:
    """Open for reading; on a medium that can't be written even SQLite's own files beside it can't."""
    connection = None
    try:
        connection = _connected(_uri(path, "ro"), patience_s)
        connection.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.OperationalError as error:
        if connection is not None:
            connection.close()
        if (error.sqlite_errorcode & 0xFF) != sqlite3.SQLITE_CANTOPEN or _has_a_log(path):
            raise fault_of(path, error) from error
        connection = _connected(_uri(path, "ro") + "&immutable=1", patience_s)
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        raise fault_of(path, error) from error
    return connection


def _has_a_log(path: Path) -> bool:
    return path.with_name(path.name + "-wal").exists()


def _connected(uri: str, patience_s: float) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, timeout=patience_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def _uri(path: PurePath, mode: str) -> str:
    """Give a path as SQLite's URI: `file:///C:/…`, `file:////server/share/…`, `file:///home/…`."""
    posix = path.as_posix()
    root = "" if posix.startswith("/") else "/"
    return f"file://{root}{quote(posix, safe='/:', errors='surrogateescape')}?mode={mode}"
