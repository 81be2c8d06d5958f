"""Recognises what lies where an archive's index should be, before it is trusted.

An archive lies on a disk that others write to as well. A file that SQLite opens can name tables that are
endless views, carry triggers, be a link to somebody else's file, or have a journal that makes SQLite delete
one (https://www.sqlite.org/security.html). What is not exactly ours is damaged, and is built again.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from manifests.index.connecting import NO_SHARED_MEMORY, connected, without_a_log
from manifests.index.faults import IndexDamaged, IndexNewer, IndexObstructed, IndexUnusable, faults_of
from manifests.index.migrations import Migration, schema_after, schema_of, version_of
from manifests.index.schema import APPLICATION_ID

SIDE_FILES = ("-wal", "-shm", "-journal")

# https://www.sqlite.org/fileformat.html, section 3: a journal begins with this, and ends with it only where
# it names a super-journal, a file that SQLite reads and deletes. No index of ours has one.
_JOURNAL_MAGIC = bytes.fromhex("d9d505f920a163d7")


class _Kind(NamedTuple):
    """Three numbers of a database's header: whose it is, its layout, and how often its schema changed."""

    application: int
    version: int
    schema: int


_EMPTY = _Kind(0, 0, 0)


def version_found(path: Path, newest: int, patience_s: float) -> int:
    """Return the version of the index at `path`, 0 where there is none yet; nothing is changed.

    Raises IndexDamaged, IndexNewer, IndexBusy, IndexUnusable.
    """
    if not refuse_what_is_no_file(path):
        return 0
    try:
        kind = _kind_of(path, patience_s)
    except IndexDamaged:
        # A header that is read while another program takes its log in may look like damage: once.
        kind = _kind_of(path, patience_s)
    if kind.application != APPLICATION_ID and kind != _EMPTY:
        raise IndexDamaged(path, "the file is a database, but not an index of this program")
    if kind.version > newest:
        raise IndexNewer(path, kind.version, newest)
    return kind.version


def refuse_what_is_no_file(path: Path) -> bool:
    """Return whether a file lies at `path`, once it and what lies beside it are files of the index's own.

    Raises IndexDamaged for a link, a pipe or a device, and for a journal that names a file elsewhere;
    IndexUnusable for a folder, and where the system does not let it be looked at.
    """
    for ending in SIDE_FILES:
        _is_file(path.with_name(path.name + ending), path)
    if _is_file(path.with_name(path.name + "-journal"), path):
        _refuse_super_journal(path)
    return _is_file(path, path)


def _is_file(file: Path, index: Path) -> bool:
    with _reading(index):
        try:
            mode = file.lstat().st_mode
        except (FileNotFoundError, NotADirectoryError):
            return False
    if stat.S_ISDIR(mode):
        raise IndexObstructed(index, f"the index could not be used ({file.name} is a folder)")
    if not stat.S_ISREG(mode):
        raise IndexDamaged(index, f"the index is damaged ({file.name} is not an ordinary file)")
    return True


def _refuse_super_journal(index: Path) -> None:
    with _reading(index), index.with_name(index.name + "-journal").open("rb") as journal:
        size_bytes = journal.seek(0, os.SEEK_END)
        journal.seek(max(0, size_bytes - len(_JOURNAL_MAGIC)))
        ends = journal.read(len(_JOURNAL_MAGIC))
    if ends == _JOURNAL_MAGIC:
        raise IndexDamaged(index, "the index is damaged (its journal names a file of something else)")


def require_ours(path: Path, connection: sqlite3.Connection, steps: Sequence[Migration]) -> None:
    """Check that a database's tables and indexes are those, to the letter, that this program makes.

    Raises IndexDamaged where they are not, IndexNewer, and sqlite3.Error.
    """
    connection.execute("BEGIN")
    try:
        version, schema = version_of(connection), schema_of(connection)
    finally:
        connection.execute("COMMIT")
    if version > len(steps):
        raise IndexNewer(path, version, len(steps))
    if schema != schema_after(tuple(steps[: max(version, 0)])):
        raise IndexDamaged(path, "the index is damaged (its tables are not those of an index)")


def _kind_of(path: Path, patience_s: float) -> _Kind:
    if lies_beside(path, "-wal") or lies_beside(path, "-journal"):
        return _kind_by_asking(path, patience_s)
    with _reading(path):
        return _kind_by_header(path)


def _kind_by_header(path: Path) -> _Kind:
    """Return the numbers as the file has them, without a trace of having looked.

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
    page_bytes = _page_bytes(header)
    if page_bytes is None:
        raise IndexDamaged(path, "the index is damaged (its header makes no sense)")
    pages = int.from_bytes(header[28:32], "big")
    # The number of pages counts only if the last to write was one who knew of it (bytes 24 and 92).
    if header[24:28] == header[92:96] and size_bytes < pages * page_bytes:
        raise IndexDamaged(path, "the index is damaged (it is cut short)")
    return _Kind(*(int.from_bytes(header[start : start + 4], "big") for start in (68, 60, 40)))


def _page_bytes(header: bytes) -> int | None:
    """Return the size of a page; None where the fields that have one meaning only hold something else."""
    size = int.from_bytes(header[16:18], "big")
    size = 65536 if size == 1 else size
    is_power_of_two = size & (size - 1) == 0
    makes_sense = size >= 512 and is_power_of_two and header[21:24] == b"\x40\x20\x20"
    return size if makes_sense else None


def _kind_by_asking(path: Path, patience_s: float) -> _Kind:
    """Return the same where part of the file may still be in the log that lies beside it."""
    # A log is let be by who may only read; what an unfinished change left is to be taken back first.
    mode = "ro" if lies_beside(path, "-wal") else "rw"
    with faults_of(path):
        connection = connected(path, mode, patience_s)
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


def lies_beside(path: Path, ending: str) -> bool:
    """Return whether something, be it a link to nothing, has the index's name with an ending."""
    return os.path.lexists(path.with_name(path.name + ending))


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise IndexUnusable(path, f"the index could not be used ({error.strerror})") from error
