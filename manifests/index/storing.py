"""Stores one bag's entries in the index: new lines are added, missing ones dropped, the rest kept."""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import xxhash

from manifests.bags.declared import Faults, Malformed
from manifests.bags.paths import ENTRIES, shown
from manifests.findings import Finding
from manifests.index.bag_lists import EntryLines, tag_manifest
from manifests.index.found_bags import FoundBag, TagStamp
from manifests.index.logs import drop_logs
from manifests.index.measures import judge
from manifests.index.rows import FileRow, NotAnEntry, RowMaker, Value
from manifests.index.schema import FILE_COLUMNS, SERIES_COLUMNS, insertion, quoted
from manifests.index.statements import store_damage, store_statements
from manifests.index.summaries import sum_up

# A stamp this young may be that of two contents: FAT keeps modification times in steps of two seconds.
_TOO_YOUNG_NS = 5_000_000_000
_AT_ONCE = 2000

_FILES_OF_BAG = """
SELECT files.line_digest, files.id, files.path, files.series_id
FROM series JOIN files ON files.series_id = series.id WHERE series.bag_id = ?
"""
_NEW_FILE = insertion("files", FILE_COLUMNS)
_NEW_SERIES = insertion("series", ("bag_id", *SERIES_COLUMNS))
_SERIES_OF_BAG = f'SELECT "id", {quoted(SERIES_COLUMNS)} FROM series WHERE bag_id = ?'  # noqa: S608 - constants
_NEW_FINDING = insertion("findings", ("bag_id", "file_id", "kind", "detail", "path"))
_DROP_FINDINGS = "DELETE FROM findings WHERE bag_id = ? AND file_id IS NULL"
_KNOWN_BY = """
UPDATE bags SET present = 1, fingerprint = ?, tag_size_bytes = ?, tag_modified_ns = ?, tag_inode = ?
WHERE id = ?
"""


@dataclass(frozen=True, slots=True)
class Stored:
    """The result of storing a bag; `findings` are about the bag, not its files."""

    files: int
    added: int
    dropped: int
    findings: tuple[Finding, ...]


def fingerprint_of(content: bytes | None) -> str | None:
    """Return a bag's fingerprint, its tag manifest's SHA-256; None where it has no tag manifest."""
    return None if content is None else hashlib.sha256(content).hexdigest()


def store(connection: sqlite3.Connection, bag: FoundBag) -> Stored:
    """Update the index from one bag's entries. Call it in a transaction.

    A line that is not an entry is a finding, and the others are stored. Raises sqlite3.Error, and
    OSError where the bag's tag manifest can't be read.
    """
    content = tag_manifest(bag.folder)
    return _Storing(connection, bag_id(connection, bag.path), bag).store(content)


def bag_id(connection: sqlite3.Connection, path: str) -> int:
    """Return the id of the bag at a path below the archive, a new one where it is not known yet."""
    connection.execute("INSERT INTO bags (path) VALUES (?) ON CONFLICT (path) DO NOTHING", (path,))
    found: int = connection.execute("SELECT id FROM bags WHERE path = ?", (path,)).fetchone()[0]
    return found


def know_by(
    connection: sqlite3.Connection, number: int, fingerprint: str | None, stamp: TagStamp | None
) -> None:
    """Store a bag's fingerprint and stamp; a stamp too young to be trusted is not stored."""
    if stamp is None or time.time_ns() - stamp.modified_ns < _TOO_YOUNG_NS:
        stamp = None
    connection.execute(_KNOWN_BY, (fingerprint, *(stamp or (None, None, None)), number))


class _Known(NamedTuple):
    id: int
    path: str
    series_id: int


@dataclass(slots=True)
class _Storing:
    connection: sqlite3.Connection
    bag_id: int
    bag: FoundBag
    faults: Faults = field(default_factory=lambda: Faults(ENTRIES))
    gone: dict[int, _Known] = field(default_factory=dict)
    series: dict[tuple[Value, ...], int] = field(default_factory=dict)
    changed: set[int] = field(default_factory=set)
    paths: set[str] = field(default_factory=set)
    added: int = 0

    def store(self, content: bytes | None) -> Stored:
        self._take_stock()
        lines = EntryLines(self.bag.folder, content)
        rows = self._new_rows(lines)
        self.connection.execute(_DROP_FINDINGS, (self.bag_id,))
        for batch in _batches(rows):
            self._insert(batch)
        # A list that the disk would not give says nothing about what is gone.
        dropped = 0 if lines.ends_early else self._drop(self.gone.values())
        self.changed |= store_damage(self.connection, self.bag_id, self.bag.folder)
        judge(self.connection, self.changed)
        sum_up(self.connection, self.changed)
        malformed = store_statements(self.connection, self.bag_id, self.bag.folder)
        findings = self._bag_findings(lines, malformed)
        # What is wrong today may be mended tomorrow, in a file that the tag manifest does not list.
        known_by = None if findings else fingerprint_of(content)
        know_by(self.connection, self.bag_id, known_by, self.bag.stamp if known_by else None)
        return Stored(len(self.paths), self.added, dropped, findings)

    def _take_stock(self) -> None:
        for digest, file_id, path, series_id in self.connection.execute(_FILES_OF_BAG, (self.bag_id,)):
            self.gone[digest] = _Known(file_id, path, series_id)
        for number, *key in self.connection.execute(_SERIES_OF_BAG, (self.bag_id,)):
            self.series[tuple(key)] = number

    def _new_rows(self, lines: EntryLines) -> Iterator[FileRow]:
        maker = RowMaker()
        for number, line in lines:
            digest = xxhash.xxh3_64_intdigest(line) - 2**63
            known = self.gone.get(digest)
            if known is not None and self._is_first(known.path, number):
                del self.gone[digest]
            elif known is None:
                row = self._row(maker, digest, number, line)
                if row is not None:
                    yield row

    def _row(self, maker: RowMaker, digest: int, number: int, line: bytes) -> FileRow | None:
        try:
            row = maker.row(line, digest)
        except NotAnEntry as error:
            self.faults.add(number, str(error))
            return None
        return row if self._is_first(row.path, number) else None

    def _is_first(self, path: str, number: int) -> bool:
        if path in self.paths:
            self.faults.add(number, f"'{shown(path)}' is listed again")
            return False
        self.paths.add(path)
        return True

    def _insert(self, rows: list[FileRow]) -> None:
        first = self._next_id()
        series_ids = [self._series_id(row.series) for row in rows]
        self.connection.executemany(
            _NEW_FILE, ((series_id, *row.own) for series_id, row in zip(series_ids, rows, strict=True))
        )
        self.connection.executemany(
            _NEW_FINDING,
            (
                (self.bag_id, file_id, *finding, "")
                for file_id, row in enumerate(rows, first)
                for finding in row.findings
            ),
        )
        self.added += len(rows)
        self.changed.update(series_ids)

    def _next_id(self) -> int:
        """Return the id that the next file gets: one more than the largest, as long as nothing is deleted."""
        largest: int | None = self.connection.execute("SELECT max(id) FROM files").fetchone()[0]
        return (largest or 0) + 1

    def _series_id(self, key: tuple[Value, ...]) -> int:
        number = self.series.get(key)
        if number is None:
            number = self.connection.execute(_NEW_SERIES, (self.bag_id, *key)).lastrowid
            assert number is not None
            self.series[key] = number
        return number

    def _drop(self, gone: Collection[_Known]) -> int:
        ids = [(known.id,) for known in gone]
        self.changed.update(known.series_id for known in gone)
        self.connection.executemany("DELETE FROM findings WHERE file_id = ?", ids)
        drop_logs(self.connection, [file_id for (file_id,) in ids])
        self.connection.executemany("DELETE FROM files WHERE id = ?", ids)
        return len(ids)

    def _bag_findings(self, lines: EntryLines, malformed: Iterable[Malformed]) -> tuple[Finding, ...]:
        problem = lines.problem()
        found = [one.as_finding() for one in (*self.faults.all(), *malformed)]
        findings = (*([problem] if problem else ()), *found)
        self.connection.executemany(
            _NEW_FINDING, ((self.bag_id, None, one.kind.value, one.detail, one.path) for one in findings)
        )
        return findings


def _batches(rows: Iterator[FileRow]) -> Iterator[list[FileRow]]:
    batch: list[FileRow] = []
    for row in rows:
        batch.append(row)
        if len(batch) == _AT_ONCE:
            yield batch
            batch = []
    if batch:
        yield batch
