"""The quick look at an archive's bags: what it must see, and what it must not be fooled by."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from manifests.bags.paths import PAGE_FOLDER, TAG_MANIFEST
from manifests.index.opening import Index, open_index
from manifests.index.rebuilding import rebuild
from manifests.index.schema import INDEX_NAME
from tests.support.archives import light, write_bag
from tests.support.systems import need_links
from transfer.archive.freshness import is_as_it_was


@pytest.fixture
def index(root: Path) -> Iterator[Index]:
    """Return the index of an archive whose bags are old enough to be known again."""
    for manifest in root.rglob(TAG_MANIFEST):
        os.utime(manifest, (1e9, 1e9))
    (root / "my notes" / "2026").mkdir(parents=True)
    (root / "my notes" / "2026" / "manifest-of-ideas.txt").touch()
    rebuild(root)
    with open_index(root / INDEX_NAME) as index:
        yield index


def test_nothing_happened(root: Path, index: Index) -> None:
    assert is_as_it_was(index, root)


def test_pages_are_not_looked_into(root: Path, index: Index) -> None:
    write_bag(root / PAGE_FOLDER / "pictures" / "ab", [light(20, "M 33")])
    assert is_as_it_was(index, root)


def copied_in(root: Path) -> None:
    shutil.copytree(root / "M 51", root / "M 51 again")


def copied_in_deep(root: Path) -> None:
    write_bag(root / "my notes" / "2026" / "M 33", [light(20, "M 33")])


def copied_in_by_another_program(root: Path) -> None:
    (root / "old" / "data").mkdir(parents=True)
    (root / "old" / "manifest-md5.txt").touch()


def begun_and_not_done(root: Path) -> None:
    (root / "M 33" / "nightferry").mkdir(parents=True)
    (root / "M 33" / "nightferry" / "journal.jsonl").touch()


def vanished(root: Path) -> None:
    shutil.rmtree(root / "nights" / "2026-03-14")


def moved(root: Path) -> None:
    (root / "M 51").rename(root / "M 51 old")


def changed(root: Path) -> None:
    write_bag(root / "M 51", [light(20)])


def changed_at_the_same_size_and_time(root: Path) -> None:
    before = (root / "M 51" / TAG_MANIFEST).stat()
    # While it has another name, its file number is given to no other file: so it is when a file is replaced.
    (root.parent / "kept").hardlink_to(root / "M 51" / TAG_MANIFEST)
    changed(root)
    os.utime(root / "M 51" / TAG_MANIFEST, ns=(before.st_atime_ns, before.st_mtime_ns))


@pytest.mark.parametrize(
    "happens",
    [
        copied_in,
        copied_in_deep,
        copied_in_by_another_program,
        begun_and_not_done,
        vanished,
        moved,
        changed,
        changed_at_the_same_size_and_time,
    ],
    ids=lambda happens: happens.__name__,
)
def test_a_bag_that_came_went_or_changed_is_seen(
    root: Path, index: Index, happens: Callable[[Path], None]
) -> None:
    happens(root)
    assert not is_as_it_was(index, root)


def test_a_bag_that_is_absent_is_no_news_until_it_is_back(root: Path, index: Index) -> None:
    (root / "M 51").rename(root.parent / "elsewhere")
    index.close()
    rebuild(root)
    with open_index(root / INDEX_NAME) as again:
        assert is_as_it_was(again, root)
        (root.parent / "elsewhere").rename(root / "M 51")
        assert not is_as_it_was(again, root)


@need_links
def test_a_folder_of_ones_own_a_link_and_what_systems_leave_are_no_bags(root: Path, index: Index) -> None:
    (root / "processing" / "M 51").mkdir(parents=True)
    (root / "$RECYCLE.BIN").mkdir()
    write_bag(root / "$RECYCLE.BIN" / "M 51", [light(1)])
    if os.name != "nt":
        (root / "a link").symlink_to(root / "M 51")
        (root / "a loop").symlink_to(root)
    assert is_as_it_was(index, root)


def test_only_known_bags_tag_manifests_are_looked_at(
    root: Path, index: Index, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_at: list[str] = []
    stat = os.stat

    def noted(path: str, *rest: object, **more: object) -> os.stat_result:
        looked_at.append(os.fspath(path))
        return stat(path, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(os, "stat", noted)
    assert is_as_it_was(index, root)
    bags = {name.rpartition("/")[0] for name in looked_at if name.endswith(TAG_MANIFEST)}
    below = {Path(bag).relative_to(root).as_posix() for bag in bags}
    assert below == {"M 51", "NGC 4565", "calibration", "nights/2026-03-14"}
    assert len(looked_at) == len(bags)
