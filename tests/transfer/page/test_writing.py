"""The page's folder: whole files, nobody else's touched, the old page until the new one is there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from manifests.bags.paths import PAGE_FOLDER
from tests.support.archives import light, write_bag
from transfer.errors import ConfigurationError, NightferryError
from transfer.page.writing import START, PageWriter, page_folder


def page(text: str) -> bytes:
    return b"<!doctype html><!-- nightferry page -->" + text.encode()


def written(folder: Path, **pages: str) -> PageWriter:
    """Write pages; `__` in a name stands for a slash."""
    writer = PageWriter(folder)
    for name, text in pages.items():
        writer.put(f"{name.replace('__', '/')}.html", page(text))
    writer.finish()
    return writer


def names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    written(tmp_path, index="a", nights__one="1", nights__two="2")
    before = (tmp_path / "nights/one.html").stat().st_ino
    assert written(tmp_path, index="a", nights__one="1", nights__two="3").written == 1
    assert (tmp_path / "nights/one.html").stat().st_ino == before
    assert (tmp_path / "nights/two.html").read_bytes() == page("3")


def test_pages_of_what_is_no_more_go(tmp_path: Path) -> None:
    written(tmp_path, index="a", nights__one="1", targets__m="m")
    written(tmp_path, index="a", nights__one="1")
    assert names(tmp_path) == {"index.html", "nights/one.html"}


def test_nothing_is_removed_that_another_wrote(tmp_path: Path) -> None:
    (tmp_path / "nights").mkdir()
    (tmp_path / "nights" / "mine.html").write_text("my own notes", encoding="utf-8")
    (tmp_path / "notes.html").write_text("more of them", encoding="utf-8")
    written(tmp_path, index="a")
    written(tmp_path, index="b")
    assert names(tmp_path) == {"index.html", "nights/mine.html", "notes.html"}


@pytest.mark.parametrize("name", ["nights/one.html", "look/page.css"])
def test_a_file_that_another_wrote_is_not_replaced(name: str, tmp_path: Path) -> None:
    (tmp_path / name).parent.mkdir()
    (tmp_path / name).write_text("my own notes", encoding="utf-8")
    writer = PageWriter(tmp_path)
    with pytest.raises(
        ConfigurationError, match=f"nightferry did not write it.*{name}|{name}.*did not write"
    ):
        writer.put(name, page("new"))
    writer.abandon()
    assert (tmp_path / name).read_text(encoding="utf-8") == "my own notes"
    assert names(tmp_path) == {name}


def test_a_run_that_ends_before_its_end_leaves_the_old_pages(tmp_path: Path) -> None:
    written(tmp_path, index="old", nights__one="old")
    writer = PageWriter(tmp_path)
    writer.put("nights/two.html", page("new"))
    writer.put("nights/one.html", page("changed"))
    writer.put(START, page("changed"))
    assert (tmp_path / START).read_bytes() == page("old")
    assert (tmp_path / "nights/one.html").read_bytes() == page("old")
    writer.abandon()
    assert names(tmp_path) == {"index.html", "nights/one.html"}


@pytest.mark.parametrize(
    ("fails", "stay"), [("targets/m.html", [START]), ("nights/new.html", [START, "targets/m.html"])]
)
def test_new_pages_come_first_and_the_start_last(fails: str, stay: list[str], tmp_path: Path) -> None:
    """What a run leaves that ends between two: no page there may lead to one that is not there yet."""
    written(tmp_path, index="old", targets__m="old")
    writer = PageWriter(tmp_path)
    for name in (START, "targets/m.html", "nights/new.html"):
        writer.put(name, page("new"))
    (tmp_path / fails).unlink(missing_ok=True)
    (tmp_path / fails).mkdir()  # so that it cannot take its place
    with pytest.raises(OSError, match=fails.rpartition("/")[2]):
        writer.finish()
    assert all((tmp_path / name).read_bytes() == page("old") for name in stay)


def test_what_a_dead_run_left_half_written_goes_after_a_day(tmp_path: Path) -> None:
    written(tmp_path, index="a", nights__one="1")
    dead, alive = tmp_path / "nights/.one.html.77.part", tmp_path / "nights/.one.html.78.next"
    dead.write_bytes(b"half")
    alive.write_bytes(b"half")
    os.utime(dead, (1e9, 1e9))
    written(tmp_path, index="a", nights__one="1")
    assert not dead.exists()
    assert alive.exists()


def test_the_folder_is_beside_the_index_unless_another_is_named(tmp_path: Path) -> None:
    assert page_folder(tmp_path, None) == tmp_path / PAGE_FOLDER
    assert page_folder(tmp_path, tmp_path / "a" / "b") == tmp_path / "a" / "b"
    assert (tmp_path / "a" / "b").is_dir()
    assert names(tmp_path) == set()


@pytest.mark.parametrize("below", ["", "data", "data/page", "page"])
def test_a_bag_is_not_written_into(below: str, tmp_path: Path) -> None:
    write_bag(tmp_path / "M 51", [light(1)])
    (tmp_path / "M 51" / "data").mkdir(exist_ok=True)
    before = names(tmp_path)
    with pytest.raises(ConfigurationError, match="in a bag"):
        page_folder(tmp_path, tmp_path / "M 51" / below)
    assert names(tmp_path) == before


def test_a_start_page_that_another_wrote_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / START).write_text("<html>my home page</html>", encoding="utf-8")
    with pytest.raises(ConfigurationError, match="did not write"):
        page_folder(tmp_path, tmp_path)
    written(tmp_path / "other", index="a")
    assert page_folder(tmp_path, tmp_path / "other") == tmp_path / "other"


def test_a_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / PAGE_FOLDER).write_bytes(b"")
    with pytest.raises(NightferryError, match="--out"):
        page_folder(tmp_path, None)


def test_a_read_only_archive_asks_for_a_folder(read_only: Path) -> None:
    with pytest.raises(NightferryError, match=r"cannot be written beside the archive's index.*--out FOLDER"):
        page_folder(read_only, None)
