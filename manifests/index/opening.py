"""Opening the index: one writer at a time, any number of readers; one that cannot be trusted is refused."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self
from weakref import WeakSet

from manifests.index.connecting import connected, with_journal
from manifests.index.faults import IndexDamaged, IndexOlder, IndexUnusable, NoIndex, faults_of
from manifests.index.migrations import MIGRATIONS, migrate
from manifests.index.recognising import lies_beside, refuse_what_is_no_file, require_ours, version_found

# How long a writer waits for another, or a reader for the moment in which a log is taken in.
PATIENCE_S = 10.0

_NOT_WRITABLE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)

Parameters = Sequence[object] | Mapping[str, object]


class Index:
    """An open index. Every error of SQLite leaves it as an IndexFault.

    Use it as a context manager, or close it: the last to close merges the write-ahead log.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection
        self._questions: WeakSet[sqlite3.Cursor] = WeakSet()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the index. Raises IndexFault where its write-ahead log cannot be merged.

        SQLite keeps the file open for as long as a question is half answered, as one is whose rows an error
        holds on to, and Windows renames no open file.
        """
        with faults_of(self.path):
            for question in list(self._questions):
                question.close()
            self.connection.close()

    def rows(self, sql: str, parameters: Parameters = ()) -> Iterator[sqlite3.Row]:
        """Return the rows of one question as they come. Raises IndexFault."""
        with faults_of(self.path):
            question = self.connection.execute(sql, parameters)
            self._questions.add(question)
            # Not `yield from`, which would close the cursor of an index that may be closed already.
            for row in question:  # noqa: UP028
                yield row

    def row(self, sql: str, parameters: Parameters = ()) -> sqlite3.Row:
        """Return the one row of a question that always has one. Raises IndexFault."""
        return next(self.rows(sql, parameters))

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let several questions see one state of the index.

        A value that makes no sense is damage: the errors it causes become IndexDamaged. Raises IndexFault.
        """
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
        """Lend the connection for one transaction: all of it is kept, or nothing. Raises IndexFault."""
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
    """Open the index at `path`; for writing, it is made where there is none, and migrated.

    A reader migrates an older one, too, where it may write. `on_network` says that other computers open
    the same file: a write-ahead log works between the programs of one computer only, so a rollback journal
    is kept instead, which everybody who opens the file afterwards follows. The same holds where a file
    system has no shared memory for a log.
    Raises NoIndex, IndexNewer (nothing was touched), IndexOlder, IndexDamaged, IndexBusy, IndexUnusable.
    """
    path = path.absolute()
    newest = len(MIGRATIONS)
    version = version_found(path, newest, patience_s)
    if write:
        return _brought_up_to_date(path, on_network, patience_s)
    if version == 0:
        raise NoIndex(path)
    if version < newest:
        try:
            _brought_up_to_date(path, on_network, patience_s).close()
        except IndexUnusable as fault:
            raise IndexOlder(path, version, newest) from fault
    return Index(path, _reader(path, patience_s))


def open_place(path: Path, *, on_network: bool = False, patience_s: float = PATIENCE_S) -> Index:
    """Open the file at `path`, empty where there is none, for a whole index to be copied into.

    What is in it is not trusted with any question. Raises IndexFault.
    """
    path = path.absolute()
    refuse_what_is_no_file(path)
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


def _brought_up_to_date(path: Path, on_network: bool, patience_s: float) -> Index:
    index = open_place(path, on_network=on_network, patience_s=patience_s)
    try:
        with faults_of(path):
            require_ours(path, index.connection, MIGRATIONS)
            migrate(index.connection, MIGRATIONS)
    except BaseException:
        index.close()
        raise
    return index


def _reader(path: Path, patience_s: float) -> sqlite3.Connection:
    """Open for reading. The last to close merges and removes what SQLite keeps beside the file.

    On a medium that cannot be written there is nothing beside it, and nothing can be put there.
    """
    with faults_of(path):
        connection = connected(path, "rw", patience_s)
        try:
            connection.execute("PRAGMA query_only = ON")
            require_ours(path, connection, MIGRATIONS)
        except BaseException as error:
            connection.close()
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code not in _NOT_WRITABLE or lies_beside(path, "-wal"):
                raise
            connection = connected(path, "ro", patience_s, immutable=True)
            try:
                require_ours(path, connection, MIGRATIONS)
            except BaseException:
                connection.close()
                raise
        return connection
