"""What persons have said in the archive's bags, kept in the index and asked of it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from manifests.bags.declared import Malformed
from manifests.bags.kept_proofs import DAMAGED, known_damage
from manifests.bags.statements import Statement, read_statements
from manifests.findings import FindingKind
from manifests.frames.usable import shortened
from manifests.index.opening import Index
from manifests.index.schema import insertion
from manifests.readings.verdicts import VERDICT, NightVerdict, newest, verdict_of

# The kinds of statements that the index keeps.
KINDS = (VERDICT,)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DROP = "DELETE FROM statements WHERE bag_id = ?"
_NEW = insertion("statements", ("bag_id", "kind", "said_us", "facts"))
_NEW_FINDING = insertion("findings", ("bag_id", "file_id", "kind", "detail", "path"))
_DAMAGED_NOW = """
SELECT findings.file_id, files.series_id FROM findings JOIN files ON files.id = findings.file_id
WHERE findings.bag_id = ? AND findings.kind = ?
"""
_FILE_OF_BAG = """
SELECT files.id, files.series_id FROM series JOIN files ON files.series_id = series.id
WHERE series.bag_id = ? AND files.path = ?
"""
_COUNT = """
UPDATE files SET findings = (SELECT count(*) FROM findings WHERE file_id = files.id) WHERE id = ?
"""
_OF_KIND = "SELECT said_us, facts FROM statements WHERE kind = ? ORDER BY said_us, rowid"


def store_statements(connection: sqlite3.Connection, bag_id: int, folder: Path) -> tuple[Malformed, ...]:
    """Make the index say what a bag's statements say; return the lines that are none.

    Raises sqlite3.Error, and OSError where the bag's files can't be read.
    """
    connection.execute(_DROP, (bag_id,))
    malformed: list[Malformed] = []
    for kind in KINDS:
        found = read_statements(folder, kind)
        malformed += found.malformed
        connection.executemany(
            _NEW,
            (
                (bag_id, kind, (one.said_utc - _EPOCH) // timedelta(microseconds=1), json.dumps(one.facts))
                for one in found.statements
            ),
        )
    return tuple(malformed)


def store_damage(connection: sqlite3.Connection, bag_id: int, folder: Path) -> set[int]:
    """Make the findings of a bag's files say which are known to be damaged; return the series concerned.

    Raises sqlite3.Error, and OSError where the bag's files can't be read.
    """
    kind = FindingKind.DAMAGED.value
    files = dict(connection.execute(_DAMAGED_NOW, (bag_id, kind)).fetchall())
    connection.execute("DELETE FROM findings WHERE bag_id = ? AND kind = ?", (bag_id, kind))
    for path, wrong in known_damage(read_statements(folder, DAMAGED).statements).items():
        found = connection.execute(_FILE_OF_BAG, (bag_id, path)).fetchone()
        if found is not None:
            connection.execute(_NEW_FINDING, (bag_id, found[0], kind, shortened(wrong), ""))
            files[found[0]] = found[1]
    connection.executemany(_COUNT, [(file_id,) for file_id in files])
    return set(files.values())


def verdicts(index: Index) -> dict[date, NightVerdict]:
    """Return the verdict that holds now on each night that has one. Raises IndexFault."""
    with index.snapshot():
        return newest(filter(None, map(verdict_of, _statements(index, VERDICT))))


def _statements(index: Index, kind: str) -> Iterator[Statement]:
    for said_us, facts in index.rows(_OF_KIND, (kind,)):
        yield Statement(kind, _EPOCH + timedelta(microseconds=said_us), json.loads(facts))
