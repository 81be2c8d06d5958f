"""What the index keeps of logs that were read by a description: readings ten seconds a row, and events."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple

from manifests.index.bag_lists import EntryLines
from manifests.index.believing import require_bag_inside
from manifests.index.opening import Index
from manifests.readings.log_reading import LogReader
from manifests.readings.taking import LogAccount
from manifests.readings.thinning import ReadingRecord, Thinning

MOST_EVENTS = 10_000
_BATCH = 20_000  # rows: what is held in memory of a log, however long it is
# A log of which not all rows are there yet has no description that anybody asks for.
_UNFINISHED = ""

_DROP = (
    "DELETE FROM readings WHERE log_id IN (SELECT id FROM logs WHERE file_id = ?)",
    "DELETE FROM events WHERE log_id IN (SELECT id FROM logs WHERE file_id = ?)",
    "DELETE FROM logs WHERE file_id = ?",
)
_NEW_LOG = """
INSERT INTO logs (file_id, description, source, lines, taken, unmatched, jumps, problems)
VALUES (?, ?, ?, 0, 0, 0, 0, '[]')
"""
_FINISHED = """
UPDATE logs SET description = ?, lines = ?, taken = ?, unmatched = ?, jumps = ?, problems = ? WHERE id = ?
"""
_KNOWN = "SELECT id FROM quantities WHERE source = ? AND quantity = ? AND unit = ?"
_NEW_QUANTITY = "INSERT INTO quantities (source, quantity, unit) VALUES (?, ?, ?)"
_NEW_READINGS = "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_NEW_EVENTS = "INSERT INTO events VALUES (?, ?, ?, ?, ?)"
_READ_BY = "SELECT file_id, description FROM logs"
_BAGS = "SELECT id, path FROM bags WHERE present = 1 AND id IN (SELECT bag_id FROM series WHERE is_frame = 0)"
_FILES = """
SELECT files.path, files.id FROM series JOIN files ON files.series_id = series.id
WHERE series.bag_id = ? AND series.is_frame = 0
"""


class LogFile(NamedTuple):
    """A file of the archive that is no frame: its row, bag and path in it, and where it came from."""

    file_id: int
    bag: str
    path: str
    source: str
    original: str
    night: date


def drop_logs(connection: sqlite3.Connection, file_ids: Iterable[int]) -> None:
    """Forget what was read from files. Belongs into a transaction. Raises sqlite3.Error."""
    ids = [(file_id,) for file_id in file_ids]
    for statement in _DROP:
        connection.executemany(statement, ids)


def log_files(index: Index, archive: Path, bags: Collection[str] | None = None) -> list[LogFile]:
    """Return the files that are no frames, in the bags that are there, those of some bags where named.

    What a line of a bag's list says of a file that the index does not have, or cannot be read, is passed
    over: the index has a finding about it. Raises IndexFault.
    """
    with index.snapshot():
        found = [(number, path) for number, path in index.rows(_BAGS) if bags is None or path in bags]
        files: list[LogFile] = []
        for number, bag in found:
            require_bag_inside(bag)
            ids = {str(path): int(file_id) for path, file_id in index.rows(_FILES, (number,))}
            files += _with_origins(archive / bag, bag, ids)
        return files


def _with_origins(folder: Path, bag: str, ids: dict[str, int]) -> Iterator[LogFile]:
    for _, line in EntryLines(folder, None):
        try:
            entry = json.loads(line)
            path, night = entry["path"], date.fromisoformat(entry["night"])
            if path in ids:
                yield LogFile(ids[path], bag, path, str(entry["source"]), str(entry["original"]), night)
        except (ValueError, KeyError, TypeError, RecursionError):
            continue


def descriptions_read(index: Index) -> dict[int, set[str]]:
    """Return the digests of the descriptions by which each file was read, by its row. Raises IndexFault."""
    read: dict[int, set[str]] = {}
    for file_id, description in index.rows(_READ_BY):
        read.setdefault(file_id, set()).add(description)
    return read


class LogKeeper:
    """A sink that puts what one log says into the index, some rows a transaction.

    `finish` makes the log count; what is not finished is read anew by the next run. Methods raise IndexFault.
    """

    def __init__(self, index: Index, file_id: int, source: str, reader: LogReader) -> None:
        self._index = index
        self._reader = reader
        self._thinning = Thinning(self._keep)
        self._readings: list[tuple[object, ...]] = []
        self._events: list[tuple[object, ...]] = []
        self._event_count = 0
        with index.writing() as connection:
            number = connection.execute(_NEW_LOG, (file_id, _UNFINISHED, source)).lastrowid
            assert number is not None
            self._log_id = number
            self._quantity_ids = [
                _quantity_id(connection, (source, each.quantity, unit))
                for each, unit in zip(reader.description.readings, reader.units, strict=True)
            ]

    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        """Take a reading."""
        self._thinning.reading(moment_us, quantity, value)

    def event(self, moment_us: int, event: int, text: str, line: int) -> None:
        """Take an event; a log that has more than MOST_EVENTS is no log of events, and no more are kept."""
        self._event_count += 1
        if self._event_count <= MOST_EVENTS:
            name = self._reader.description.events[event].event
            self._events.append((self._log_id, moment_us, name, text, line))

    def _keep(self, quantity: int, record: ReadingRecord) -> None:
        row = (record.moment_us, record.first, record.last, record.lowest, record.highest, record.count)
        self._readings.append((self._log_id, self._quantity_ids[quantity], *row))
        if len(self._readings) >= _BATCH:
            self._write()

    def _write(self) -> None:
        with self._index.writing() as connection:
            connection.executemany(_NEW_READINGS, self._readings)
            connection.executemany(_NEW_EVENTS, self._events)
        self._readings.clear()
        self._events.clear()

    def finish(self, account: LogAccount) -> None:
        """Keep the rest, and the account."""
        self._thinning.close()
        if self._event_count > MOST_EVENTS:
            account.problems.append(f"{self._event_count:,} events: the first {MOST_EVENTS:,} are kept")
        self._write()
        kept = (account.lines, account.taken, account.unmatched, account.jumps, json.dumps(account.problems))
        with self._index.writing() as connection:
            connection.execute(_FINISHED, (self._reader.description.digest(), *kept, self._log_id))


def _quantity_id(connection: sqlite3.Connection, quantity: tuple[str, str, str]) -> int:
    found = connection.execute(_KNOWN, quantity).fetchone()
    if found is not None:
        return int(found[0])
    number = connection.execute(_NEW_QUANTITY, quantity).lastrowid
    assert number is not None
    return number
