"""What can be wrong with an index, and the one place where errors of SQLite are translated to it.

IndexFault
  NoIndex           there is none yet
  IndexNewer        a newer version of this program made it: it was left as it is
  IndexOlder        an older version made it, and it may only be read here
  IndexDamaged      what it holds can't be believed
  IndexBusy         another program holds it
  IndexUnusable     the system would not read or write it
    IndexObstructed   a folder has its name, or the name of a file beside it
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class IndexFault(Exception):
    """Something about the index at `path` that its user must know: what it is, and the `next_step`."""

    next_step = ""

    def __init__(self, path: Path, happened: str) -> None:
        super().__init__(path, happened)
        self.path = path
        self.happened = happened

    def __str__(self) -> str:
        return f"{self.path}: {self.happened}. {self.next_step}".rstrip()


class NoIndex(IndexFault):
    """There is no index yet."""

    next_step = "Build it from the archive's bags."

    def __init__(self, path: Path) -> None:
        super().__init__(path, "there is no index")


class IndexNewer(IndexFault):
    """The index has a schema version (`found`) above the newest that this program knows (`known`)."""

    next_step = "Use the newer version of this program, or move the index away to have it built again."

    def __init__(self, path: Path, found: int, known: int) -> None:
        super().__init__(
            path, f"the index has version {found}, and this program knows versions up to {known}"
        )
        self.found = found
        self.known = known


class IndexOlder(IndexFault):
    """The index has an older schema version (`found`) and cannot be written, so not be migrated."""

    next_step = "Make the archive's folder writable, or copy the archive's index to where it is."

    def __init__(self, path: Path, found: int, known: int) -> None:
        super().__init__(
            path, f"the index has version {found}, is to be read as {known}, and can't be written"
        )
        self.found = found
        self.known = known


class IndexDamaged(IndexFault):
    """The file is not an index, or no longer one."""

    next_step = "Build it again from the archive's bags; nothing is lost."


class IndexBusy(IndexFault):
    """Another program has held the index for too long."""

    next_step = "Try again when the other program is done."

    def __init__(self, path: Path) -> None:
        super().__init__(path, "another program is at work on the index")


class IndexUnusable(IndexFault):
    """The system would not let the index be read or written."""

    next_step = "Look at the disk's free space and the permissions of the archive's folder."


class IndexObstructed(IndexUnusable):
    """A folder has the name of the index or of a file that SQLite keeps beside it."""

    next_step = "Move that folder away, then do this again; nothing is lost."


class SenselessValue(sqlite3.DatabaseError):
    """A row has a value that no writer of ours puts there: damage that SQLite does not see."""

    sqlite_errorcode = sqlite3.SQLITE_CORRUPT


# Result codes of SQLite (https://www.sqlite.org/rescode.html); the low byte is the primary code.
_DAMAGED = frozenset((sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT))
_CUT_SHORT = frozenset((sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_DATA))
_BUSY = frozenset((sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED))
_SENSELESS = (
    "no such table",
    "no such column",
    "no such index",
    "unsupported file format",
    "Could not decode to UTF-8",
)


def fault_of(path: Path, error: sqlite3.Error) -> IndexFault:
    """Return the fault that an error of SQLite stands for."""
    code = getattr(error, "sqlite_errorcode", None) or 0
    if code & 0xFF in _BUSY:
        return IndexBusy(path)
    if code in _CUT_SHORT or code & 0xFF in _DAMAGED:
        return IndexDamaged(path, f"the index is damaged ({error})")
    if code == sqlite3.SQLITE_INTERRUPT:  # only the limit on steps interrupts: see `connecting`
        return IndexDamaged(path, "the index is damaged (a question of it does not end)")
    if code == sqlite3.SQLITE_TOOBIG:
        return IndexDamaged(path, "the index is damaged (it holds a value larger than any of an index)")
    if str(error).startswith(_SENSELESS):
        return IndexDamaged(path, f"the index is damaged ({error})")
    return IndexUnusable(path, f"the index could not be used ({error})")


@contextmanager
def faults_of(path: Path) -> Iterator[None]:
    """Raise the matching fault for any error of SQLite in this block."""
    try:
        yield
    except UnicodeDecodeError as error:  # what SQLite wanted to say quotes the damage
        raise IndexDamaged(path, f"the index is damaged ({error})") from error
    except sqlite3.Error as error:
        raise fault_of(path, error) from error
