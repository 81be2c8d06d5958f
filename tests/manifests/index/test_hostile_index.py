"""An index that somebody else made, or broke: no command hangs on it, and nothing elsewhere is touched."""

from __future__ import annotations

import os
import sqlite3
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
from tests.support.hostile_indexes import (
    HOSTILE,
    POSIX_ONLY,
    changed,
    journal_that_deletes,
    lay_out_elsewhere,
    pages_in_circles,
)

FRAMES = 60


@pytest.fixture
def filed(archive: Any, make: Any) -> Any:
    archive.write("NGC 7331", [make.light(number) for number in range(FRAMES)])
    archive.bring_up_to_date()
    return archive


@pytest.mark.parametrize("build", [bring_up_to_date, rebuild])
@pytest.mark.parametrize("make_hostile", HOSTILE)
def test_what_is_no_index_of_ours_is_set_aside_and_built_again(
    filed: Any, make: Any, make_hostile: Callable[[Path], None], build: Callable[[Path], Any]
) -> None:
    if os.name == "nt" and make_hostile in POSIX_ONLY:
        pytest.skip("there are no pipes with a name in a folder")
    elsewhere = lay_out_elsewhere(filed.index_path)
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
    diary = lay_out_elsewhere(filed.index_path) / "diary"
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
    with pytest.raises(IndexUnusable, match=r"index\.sqlite-wal is a folder\)\. Move that folder away"):
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
