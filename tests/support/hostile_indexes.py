"""Index files that somebody else made, or broke: each function puts one in the place of an archive's index.

What they reach for lies in a folder `elsewhere` beside the archive.
"""

from __future__ import annotations

import os
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

# https://www.sqlite.org/fileformat.html, section 3.
JOURNAL_MAGIC = bytes.fromhex("d9d505f920a163d7")
PAGE_BYTES = 4096
ENDLESS = "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n)"


def lay_out_elsewhere(index: Path) -> Path:
    """Make the folder that the hostile ones reach for."""
    folder = elsewhere_of(index)
    folder.mkdir()
    (folder / "empty").touch()
    (folder / "diary").write_bytes(b"of somebody else")
    return folder


def elsewhere_of(index: Path) -> Path:
    """Return the folder beside the archive."""
    return index.parent.parent / "elsewhere"


def changed(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()


def endless_view(path: Path) -> None:
    columns = "1 AS id, '' AS path, 1 AS present, x AS fingerprint, 1 AS tag_size_bytes"
    view = f"{ENDLESS} SELECT {columns}, 1 AS tag_modified_ns, 1 AS tag_inode FROM n WHERE x < 0"
    changed(path, "DROP TABLE bags", f"CREATE VIEW bags AS {view}")


def endless_trigger(path: Path) -> None:
    act = "SELECT count(*) FROM bags a, bags b, files c, files d, files e, files f, files g, files h"
    changed(path, f"CREATE TRIGGER slow AFTER UPDATE ON bags BEGIN {act}; END")


def column_of_its_own(path: Path) -> None:
    changed(path, "ALTER TABLE files ADD COLUMN more TEXT AS (hex(zeroblob(1000000)))")


def no_version(path: Path) -> None:
    changed(path, "PRAGMA user_version = 0")


def pages_in_circles(path: Path) -> None:
    """Make the table of bags a tree eight pages high whose every page names the next 500 times."""
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'bags'").fetchone()
    content = bytearray(path.read_bytes())
    whole = len(content) // PAGE_BYTES
    leaf = content[(root - 1) * PAGE_BYTES : root * PAGE_BYTES]
    levels = [root, *range(whole + 1, whole + 8)]
    content += bytes(PAGE_BYTES) * 8
    for page, child in zip(levels, [*levels[1:], whole + 8], strict=True):
        content[(page - 1) * PAGE_BYTES : page * PAGE_BYTES] = _interior(child)
    content[-PAGE_BYTES:] = leaf
    content[28:32] = struct.pack(">I", len(content) // PAGE_BYTES)
    path.write_bytes(content)


def _interior(child: int) -> bytes:
    """Return an interior page of a table (section 1.6 of the file format) with 500 cells for one child."""
    cells = [struct.pack(">I", child) + bytes([1 + number % 100]) for number in range(500)]
    starts = [PAGE_BYTES - 5 * (number + 1) for number in range(500)]
    head = struct.pack(">BHHHBI", 5, 0, len(cells), starts[-1], 0, child)
    head += b"".join(struct.pack(">H", start) for start in starts)
    return head + bytes(PAGE_BYTES - len(head) - 5 * len(cells)) + b"".join(reversed(cells))


def zeros_after_the_magic(path: Path) -> None:
    path.write_bytes(b"SQLite format 3\0" + bytes(2 * PAGE_BYTES))


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def log_is_a_pipe(path: Path) -> None:
    os.mkfifo(f"{path}-wal")


def journal_is_a_link(path: Path) -> None:
    Path(f"{path}-journal").symlink_to(elsewhere_of(path) / "empty")


def log_is_a_link_to_nothing(path: Path) -> None:
    Path(f"{path}-wal").symlink_to(elsewhere_of(path) / "not there")


def link_to_an_empty_file(path: Path) -> None:
    path.unlink()
    path.symlink_to(elsewhere_of(path) / "empty")


def link_to_nothing(path: Path) -> None:
    path.unlink()
    path.symlink_to(elsewhere_of(path) / "not there")


def link_to_an_index(path: Path) -> None:
    path.rename(elsewhere_of(path) / "index")
    path.symlink_to(elsewhere_of(path) / "index")


def journal_that_deletes(path: Path) -> None:
    """Lay a journal there that names a file elsewhere as the one that SQLite is to delete afterwards."""
    victim = os.fsencode(elsewhere_of(path) / "diary")
    page = path.read_bytes()[:PAGE_BYTES]
    (seed,) = struct.unpack(">I", b"\0\0\0\7")
    checksum = (seed + sum(page[place] for place in range(PAGE_BYTES - 200, 0, -200))) & 0xFFFFFFFF
    head = struct.pack(">IIIII", 1, seed, path.stat().st_size // PAGE_BYTES, 512, PAGE_BYTES)
    record = struct.pack(">I", 1) + page + struct.pack(">I", checksum)
    name = struct.pack(">I", 0x40000000 // PAGE_BYTES + 1) + victim
    name += struct.pack(">II", len(victim), sum(victim)) + JOURNAL_MAGIC
    journal = (JOURNAL_MAGIC + head).ljust(512, b"\0") + record + name
    Path(f"{path}-journal").write_bytes(journal)


POSIX_ONLY = {pipe, log_is_a_pipe}
HOSTILE: tuple[Callable[[Path], None], ...] = (
    endless_view,
    endless_trigger,
    column_of_its_own,
    no_version,
    pages_in_circles,
    zeros_after_the_magic,
    pipe,
    log_is_a_pipe,
    journal_is_a_link,
    log_is_a_link_to_nothing,
    link_to_an_empty_file,
    link_to_nothing,
    link_to_an_index,
    journal_that_deletes,
)
