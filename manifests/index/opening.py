"""The index opened, by one writer at a time and any number of readers; refused where it can't be believed."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from manifests.index.connecting import NO_SHARED_MEMORY, connected, uri_of, with_journal, without_a_log
from manifests.index.faults import (
    IndexDamaged,
    IndexNewer,
    IndexOlder,
    IndexUnusable,
    NoIndex,
    faults_of,
)
from manifests.index.migrations import NEWEST, migrate
from manifests.index.schema import APPLICATION_ID

# How long a writer waits for another, or a reader for the moment in which a log is taken in.
PATIENCE_S = 10.0

_NOT_WRITABLE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)

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
            # Not `yield from`, which would close the cursor of an index that may be closed already.
            for row in self.connection.execute(sql, parameters):  # noqa: UP028
                yield row

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
            except (ValueError, TypeError, KeyError, OverflowError, AttributeError) as error:
                raise IndexDamaged(self.path, f"the index is damaged ({error})") from error
            finally:
                if begun:
                    self.connection.execute("COMMIT")

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
    rollback journal is kept instead, which everybody who opens the file afterwards will follow; as it is
    where a file system has no shared memory for a log.
    Raises NoIndex, IndexNewer (nothing was touched), IndexOlder, IndexDamaged, IndexBusy, IndexUnusable.
    """
    path = path.absolute()
    version = _version_found(path, patience_s)
    if write:
        return _brought_up_to_date(path, on_network, patience_s)
    if version == 0:
        raise NoIndex(path)
    if version < NEWEST:
        try:
            _brought_up_to_date(path, on_network, patience_s).close()
        except IndexUnusable as fault:
            raise IndexOlder(path, version, NEWEST) from fault
    return Index(path, _reader(path, patience_s))


def open_place(path: Path, *, on_network: bool = False, patience_s: float = PATIENCE_S) -> Index:
    """Open the file at `path`, empty where there is none, for a whole index to be put in.

    Raises IndexFault.
    """
    path = path.absolute()
    with faults_of(path):
        place = Index(path, with_journal(path, on_network, patience_s))
    try:
        with faults_of(path):
            # A power cut may lose the last transactions of a write-ahead log, never the file's soundness.
            place.connection.execute("PRAGMA synchronous = NORMAL")
    except BaseException:
        place.close()
        raise
    return place


def _version_found(path: Path, patience_s: float) -> int:
    """Look at what lies at `path` without changing it, and give its version; 0 where nothing does."""
    if not _is_there(path):
        return 0
    try:
        kind = _kind_of(path, patience_s)
    except IndexDamaged:
        # A header that is read while another program takes its log in may look like damage: once.
        kind = _kind_of(path, patience_s)
    if kind.application != APPLICATION_ID and kind != _EMPTY:
        raise IndexDamaged(path, "the file is a database, but not an index of this program")
    if kind.version > NEWEST:
        raise IndexNewer(path, kind.version, NEWEST)
    return kind.version


class _Kind(NamedTuple):
    """Three numbers of a database's header: whose it is, its layout, and how often its schema changed."""

    application: int
    version: int
    schema: int


_EMPTY = _Kind(0, 0, 0)


def _kind_of(path: Path, patience_s: float) -> _Kind:
    if _lies_beside(path, "-wal") or _lies_beside(path, "-journal"):
        return _kind_by_asking(path, patience_s)
    with _reading(path):
        return _kind_by_header(path)


def _kind_by_header(path: Path) -> _Kind:
    """Give the numbers as the file has them, without a trace of having looked.

    https://www.sqlite.org/fileformat.html, section 1.3. Raises IndexDamaged where it is no database, or one
    that was cut short.
    """
    with path.open("rb") as file:
        header = file.read(100)
        size_bytes = file.seek(0, os.SEEK_END)
    if not header:
        return _EMPTY
    if len(header) < 100 or not header.startswith(b"SQLite format 3\0"):
        raise IndexDamaged(path, "the index is damaged (it is not a database)")
    page_bytes = int.from_bytes(header[16:18], "big")
    pages = int.from_bytes(header[28:32], "big")
    # The number of pages counts only if the last to write was one who knew of it (bytes 24 and 92).
    if header[24:28] == header[92:96] and size_bytes < pages * (65536 if page_bytes == 1 else page_bytes):
        raise IndexDamaged(path, "the index is damaged (it is cut short)")
    return _Kind(*(int.from_bytes(header[start : start + 4], "big") for start in (68, 60, 40)))


def _kind_by_asking(path: Path, patience_s: float) -> _Kind:
    """Give the same where part of the file may still be in the log that lies beside it."""
    # A log is let be by who may only read; what an unfinished change left is to be taken back first.
    mode = "ro" if _lies_beside(path, "-wal") else "rw"
    with faults_of(path):
        connection = connected(uri_of(path, mode), patience_s)
        try:
            return _asked(connection)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode not in NO_SHARED_MEMORY:
                raise
        finally:
            connection.close()
        alone = without_a_log(path, patience_s)
        try:
            return _asked(alone)
        finally:
            alone.close()


def _asked(connection: sqlite3.Connection) -> _Kind:
    asked = ("PRAGMA application_id", "PRAGMA user_version", "PRAGMA schema_version")
    return _Kind(*(connection.execute(one).fetchone()[0] for one in asked))


def _lies_beside(path: Path, ending: str) -> bool:
    return path.with_name(path.name + ending).exists()


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise IndexUnusable(path, f"the index could not be used ({error.strerror})") from error


def _is_there(path: Path) -> bool:
    with _reading(path):
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return False
    return True


def _brought_up_to_date(path: Path, on_network: bool, patience_s: float) -> Index:
    index = open_place(path, on_network=on_network, patience_s=patience_s)
    try:
        with faults_of(path):
            migrate(index.connection)
    except BaseException:
        index.close()
        raise
    return index


def _reader(path: Path, patience_s: float) -> sqlite3.Connection:
    """Open for reading. The last to close takes in and clears away what SQLite keeps beside the file.

    On a medium that can't be written there is nothing beside it, and nothing can be put there.
    """
    with faults_of(path):
        connection = connected(uri_of(path, "rw"), patience_s)
        try:
            connection.execute("PRAGMA query_only = ON")
            connection.execute("SELECT count(*) FROM sqlite_master")
        except BaseException as error:
            connection.close()
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code not in _NOT_WRITABLE or _lies_beside(path, "-wal"):
                raise
            connection = connected(uri_of(path, "ro") + "&immutable=1", patience_s)
        return connection
