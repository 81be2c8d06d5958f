"""`index`: what building the index again says that it did."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from transfer.errors import ExitCode, NightferryError, NotThere
from transfer.jobs.index import build_index


def rows_of(root: Path) -> list[object]:
    with open_index(root / INDEX_NAME) as index:
        return list(frames(index, FrameQuery()))


def test_it_says_what_is_in_the_index(root: Path) -> None:
    outcome = build_index(root)
    assert outcome.message == "The index was built from 4 bags: 14 frames among 16 files."
    assert outcome.exit_code is ExitCode.PROVEN
    told = outcome.as_json()
    assert (told["bags"], told["files"], told["frames"]) == (4, 16, 14)
    assert told["hours"] == pytest.approx((8 * 600 + 2 * 300 + 2 * 600) / 3600)


def test_building_it_twice_gives_the_same_rows(root: Path) -> None:
    build_index(root)
    before = rows_of(root)
    (root / INDEX_NAME).unlink()
    build_index(root)
    assert rows_of(root) == before


def test_a_bag_that_vanished_is_told_and_kept(root: Path) -> None:
    build_index(root)
    shutil.rmtree(root / "M 51")
    outcome = build_index(root)
    assert outcome.absent_bags == ("M 51",)
    assert (outcome.total.frames, outcome.report.refreshed.bags) == (14, 3)
    assert outcome.as_json()["absent_bags"] == ["M 51"]


def test_a_damaged_index_is_kept_aside_and_told(root: Path) -> None:
    (root / INDEX_NAME).write_bytes(b"not an index")
    told = build_index(root).as_json()
    assert Path(told["set_aside"]["path"]).read_bytes() == b"not an index"
    assert told["set_aside"]["reason"]


def test_a_bag_whose_list_is_not_whole_is_to_be_looked_at(root: Path) -> None:
    entries = root / "M 51" / "nightferry" / "entries.jsonl"
    entries.write_bytes(entries.read_bytes() + b"{}\n")
    outcome = build_index(root)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert {finding["path"] for finding in outcome.as_json()["findings"]} == {"M 51/nightferry/entries.jsonl"}


def test_an_index_of_a_newer_version_is_not_built_over(root: Path) -> None:
    build_index(root)
    with sqlite3.connect(root / INDEX_NAME) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = (root / INDEX_NAME).read_bytes()
    with pytest.raises(NightferryError, match="version 99"):
        build_index(root)
    assert (root / INDEX_NAME).read_bytes() == before


def test_no_index_is_made_where_there_is_no_archive(root: Path) -> None:
    (root.parent / "other").mkdir()
    for folder in (root.parent / "other", root.parent / "nowhere", root / "M 51"):
        with pytest.raises(NotThere):
            build_index(folder)
        assert not (folder / INDEX_NAME).exists()
