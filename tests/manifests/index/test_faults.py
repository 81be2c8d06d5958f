"""SQLite's errors become the index's faults, each of them."""

from __future__ import annotations

import inspect
import sqlite3
from pathlib import Path

import pytest

from manifests.index import faults
from manifests.index.faults import (
    IndexBusy,
    IndexDamaged,
    IndexFault,
    IndexNewer,
    IndexOlder,
    IndexUnusable,
    NoIndex,
    fault_of,
    faults_of,
)

PATH = Path("archive/index.sqlite")


def error_with(code: int, text: str = "what SQLite says") -> sqlite3.Error:
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    ("code", "fault"),
    [
        (sqlite3.SQLITE_CORRUPT, IndexDamaged),
        (sqlite3.SQLITE_CORRUPT_INDEX, IndexDamaged),
        (sqlite3.SQLITE_NOTADB, IndexDamaged),
        (sqlite3.SQLITE_IOERR_SHORT_READ, IndexDamaged),
        (sqlite3.SQLITE_BUSY, IndexBusy),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, IndexBusy),
        (sqlite3.SQLITE_LOCKED, IndexBusy),
        (sqlite3.SQLITE_FULL, IndexUnusable),
        (sqlite3.SQLITE_READONLY, IndexUnusable),
        (sqlite3.SQLITE_CANTOPEN, IndexUnusable),
        (sqlite3.SQLITE_IOERR_READ, IndexUnusable),
        (sqlite3.SQLITE_PERM, IndexUnusable),
    ],
)
def test_each_of_sqlites_codes_has_its_fault(code: int, fault: type[IndexFault]) -> None:
    assert type(fault_of(PATH, error_with(code))) is fault


def test_no_error_of_sqlites_gets_out() -> None:
    kinds = [
        kind for kind in vars(sqlite3).values() if inspect.isclass(kind) and issubclass(kind, sqlite3.Error)
    ]
    assert len(kinds) >= 8
    for kind in kinds:
        with pytest.raises(IndexFault), faults_of(PATH):
            raise kind("of this kind")


@pytest.mark.parametrize(
    "text",
    [
        "no such table: files",
        "no such column: night",
        "no such index: files_by_time",
        "unsupported file format",
        "Could not decode to UTF-8 column 'path' with text 'x'",
    ],
)
def test_an_index_that_makes_no_sense_is_damaged(text: str) -> None:
    assert type(fault_of(PATH, sqlite3.OperationalError(text))) is IndexDamaged


def test_a_text_of_sqlites_that_quotes_the_damage_is_damage() -> None:
    with pytest.raises(IndexDamaged), faults_of(PATH):
        b"\x80".decode()


def test_other_errors_are_let_through() -> None:
    with pytest.raises(ZeroDivisionError), faults_of(PATH):
        1 / 0  # noqa: B018 - raises


@pytest.mark.parametrize(
    "fault",
    [
        NoIndex(PATH),
        IndexNewer(PATH, 9, 1),
        IndexOlder(PATH, 1, 2),
        IndexDamaged(PATH, "the index is damaged"),
        IndexBusy(PATH),
        IndexUnusable(PATH, "the disk is full"),
    ],
)
def test_a_fault_says_what_happened_where_and_what_to_do(fault: IndexFault) -> None:
    assert str(fault).startswith(f"{PATH}: {fault.happened}. ")
    assert str(fault).endswith(".")
    assert fault.next_step in str(fault)
    assert fault.path == PATH


def test_every_fault_is_told_of_in_the_modules_first_lines() -> None:
    kinds = [
        name for name, kind in vars(faults).items() if inspect.isclass(kind) and issubclass(kind, IndexFault)
    ]
    assert all(name in (faults.__doc__ or "") for name in kinds)
