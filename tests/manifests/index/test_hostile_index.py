"""An index that somebody else made, or broke: no command hangs on it, and nothing elsewhere is touched."""

from __future__ import annotations

import os
import sqlite3
import struct
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from manifests.index import connecting
from manifests.index.faults import IndexDamaged, IndexUnusable, NoIndex
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.holdings import bags, holdings
from manifests.index.names import filters, names
from manifests.index.nights import nights
from manifests.index.rebuilding import bring_up_to_date, rebuild
from manifests.index.targets import targets

# https://www.sqlite.org/fileformat.html, section 3.
JOURNAL_MAGIC = bytes.fromhex("d9d505f920a163d7")
PAGE_BYTES = 4096
FRAMES = 60
ENDLESS = "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n)"


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    archive.write("NGC 7331", [make.light(number) for number in range(FRAMES)])
    archive.bring_up_to_date()
    return archive


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
    Path(f"{path}-journal").symlink_to(path.parent.parent / "elsewhere/empty")


def log_is_a_link_to_nothing(path: Path) -> None:
    Path(f"{path}-wal").symlink_to(path.parent.parent / "elsewhere/not there")


def link_to_an_empty_file(path: Path) -> None:
    path.unlink()
    path.symlink_to(path.parent.parent / "elsewhere/empty")


def link_to_nothing(path: Path) -> None:
    path.unlink()
    path.symlink_to(path.parent.parent / "elsewhere/not there")


def link_to_an_index(path: Path) -> None:
    path.rename(path.parent.parent / "elsewhere/index")
    path.symlink_to(path.parent.parent / "elsewhere/index")


def journal_that_deletes(path: Path) -> None:
    """Lay a journal there that names a file elsewhere as the one that SQLite is to delete afterwards."""
    victim = os.fsencode(path.parent.parent / "elsewhere/diary")
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


@pytest.mark.parametrize("build", [bring_up_to_date, rebuild])
@pytest.mark.parametrize("make_hostile", HOSTILE)
def test_what_is_no_index_of_ours_is_set_aside_and_built_again(
    filed: Any, make: Any, make_hostile: Callable[[Path], None], build: Callable[[Path], Any]
) -> None:
    if os.name == "nt" and make_hostile in POSIX_ONLY:
        pytest.skip("there are no pipes with a name in a folder")
    elsewhere = filed.folder.parent / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "empty").touch()
    (elsewhere / "diary").write_bytes(b"of somebody else")
    make_hostile(filed.index_path)
    before = {path.name: path.read_bytes() for path in elsewhere.iterdir()}
    filed.write("M 31", [make.light(1, "M 31")])  # so that there is something to write
    build(filed.folder)
    try:
        found = filed.frames()
    except IndexDamaged:  # a question found what the work did not have to read
        rebuild(filed.folder)
        found = filed.frames()
    assert len(found) == FRAMES + 1
    assert {path.name: path.read_bytes() for path in elsewhere.iterdir()} == before
    assert not filed.index_path.is_symlink()


def test_a_journal_like_this_makes_sqlite_delete_a_file_elsewhere(filed: Any) -> None:
    (filed.folder.parent / "elsewhere").mkdir()
    diary = filed.folder.parent / "elsewhere/diary"
    diary.write_bytes(b"of somebody else")
    journal_that_deletes(filed.index_path)
    with closing(sqlite3.connect(filed.index_path)) as connection:
        connection.execute("SELECT count(*) FROM bags").fetchone()
    assert not diary.exists()


def test_a_question_to_pages_in_circles_ends(filed: Any) -> None:
    pages_in_circles(filed.index_path)
    with filed.open() as index, pytest.raises(IndexDamaged, match="does not end"):
        list(index.rows("SELECT tag_inode FROM bags WHERE id + 0 < 0"))


def test_a_long_list_is_not_taken_for_an_endless_one(filed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connecting, "_STEPS_BETWEEN", 10)
    monkeypatch.setattr(connecting, "_STEPS_ANYWAY", 20_000)
    filed.rebuild()
    with filed.open() as index:
        for _ in range(5):
            assert len(list(frames(index, FrameQuery()))) == FRAMES
            assert len(list(targets(index))) == len(list(nights(index))) == 1


@settings(max_examples=60)
@given(noise=st.binary(min_size=0, max_size=200), zeros=st.sampled_from([0, 512, 4096, 8192]))
def test_whatever_follows_the_magic_an_index_can_be_built(
    new_archive: Any, make: Any, noise: bytes, zeros: int
) -> None:
    archive = new_archive()
    archive.write("NGC 7331", [make.light(1)])
    archive.index_path.write_bytes(b"SQLite format 3\0" + noise + bytes(zeros))
    archive.rebuild()
    assert len(archive.frames()) == 1


def test_a_folder_in_the_place_of_a_log_is_named(filed: Any) -> None:
    Path(f"{filed.index_path}-wal").mkdir()
    with pytest.raises(IndexUnusable, match=r"index\.sqlite-wal is a folder; move it away"):
        filed.open()


def test_a_name_that_a_folder_has_is_not_used_for_what_is_set_aside(filed: Any) -> None:
    (filed.folder / "index.damaged.sqlite").mkdir()
    filed.index_path.write_bytes(b"noise" * 2000)
    set_aside = filed.rebuild().set_aside
    assert set_aside.path == filed.folder / "index.damaged 2.sqlite"
    assert len(filed.frames()) == FRAMES


def test_an_index_that_was_begun_and_no_more_is_none_yet(archive: Any) -> None:
    changed(archive.index_path, "PRAGMA journal_mode = WAL")
    with pytest.raises(NoIndex):
        archive.open()


def test_the_tables_are_compared_with_those_that_the_steps_make(filed: Any) -> None:
    changed(filed.index_path, "CREATE INDEX more ON files (path)")
    for write in (False, True):
        with pytest.raises(IndexDamaged, match="tables are not those"):
            filed.open(write=write)


# Values that no bag said


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE files SET path = 'data/../../../etc/passwd'",
        "UPDATE files SET path = '/etc/passwd'",
        "UPDATE files SET path = 'bagit.txt'",
        "UPDATE bags SET path = '../elsewhere'",
        "UPDATE bags SET path = '/etc'",
        "UPDATE bags SET path = x'00ff'",
        "UPDATE files SET path = x'00ff'",
        "UPDATE series SET target = x'00ff'",
        "UPDATE series SET filter = x'00ff'",
        "UPDATE series SET camera = x'00ff'",
        "UPDATE files SET exposure_s = 'long'",
        "UPDATE files SET sha256 = 'none'",
        "UPDATE files SET begun_us = 9e18",
        "UPDATE files SET begun_us = 9000000000000000000",
        "UPDATE series SET gain = 'much'",
    ],
)
def test_a_value_that_cannot_be_is_damage_and_no_answer(filed: Any, statement: str) -> None:
    changed(filed.index_path, statement)
    digest = filed.folder.joinpath("NGC 7331/manifest-sha256.txt").read_text()[:64]

    def asked() -> list[object]:
        with filed.open() as index:
            rows = list(frames(index, FrameQuery()))
            return [
                rows,
                *targets(index),
                *bags(index),
                *holdings(index, digest),
                names(index),
                *filters(index),
            ]

    with pytest.raises(IndexDamaged):
        asked()
    filed.rebuild()
    assert len(asked()[0]) == FRAMES  # type: ignore[arg-type]


@pytest.mark.parametrize("question", [targets, nights, names, filters, bags])
def test_no_list_has_names_that_are_no_text(filed: Any, question: Any) -> None:
    changed(
        filed.index_path,
        "UPDATE series SET target = x'00ff', filter = x'00ff', camera = x'00ff'",
        "UPDATE bags SET path = x'00ff'",
    )
    with filed.open() as index, pytest.raises(IndexDamaged):
        list(question(index))
