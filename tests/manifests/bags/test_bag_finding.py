import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from manifests.bags.bag import enclosing_bag, find_bags
from manifests.bags.paths import PAGE_FOLDER
from tests.support.systems import need_dir_fd, need_links

HandMade = Callable[..., Path]


def test_bags_are_found_at_and_below_a_path(hand_made: HandMade, tmp_path: Path) -> None:
    nights = [hand_made(name) for name in ("2026-03-14", "2026-03-15", "deep/er/2026-03-16")]
    assert list(find_bags(tmp_path)) == nights
    assert list(find_bags(nights[0])) == [nights[0]]


def test_a_bag_inside_a_bags_payload_is_payload(hand_made: HandMade, tmp_path: Path) -> None:
    outer = hand_made("outer")
    hand_made("outer/data/inner")
    hand_made("outer/nightferry/incoming/inner")
    beside = hand_made("outer/annex/inner")
    assert list(find_bags(tmp_path)) == [outer, beside]


def test_a_path_inside_a_bag_stands_for_that_bag(hand_made: HandMade) -> None:
    bag = hand_made()
    for inside in ("data", "data/frames", "data/frames/light 1.fits", "bagit.txt"):
        assert list(find_bags(bag / inside)) == [bag]


def test_the_nearest_enclosing_bag_is_the_one(hand_made: HandMade) -> None:
    hand_made("outer")
    inner = hand_made("outer/data/inner")
    assert enclosing_bag(inner / "data" / "frames") == inner


def test_no_search_goes_into_the_folder_of_pages(hand_made: HandMade, tmp_path: Path) -> None:
    """It has a picture for every frame, and a search would look at each."""
    bag = hand_made("2026-03-14")
    hand_made(f"{PAGE_FOLDER}/pictures/ab")
    assert list(find_bags(tmp_path)) == [bag]


def test_no_bag_anywhere_is_nothing(tmp_path: Path) -> None:
    assert list(find_bags(tmp_path)) == []
    assert enclosing_bag(tmp_path) is None


def test_a_path_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        list(find_bags(tmp_path / "gone"))


def test_links_below_the_path_are_not_followed(hand_made: HandMade, tmp_path: Path) -> None:
    bag = hand_made("drive/2026-03-14")
    (tmp_path / "drive" / "loop").symlink_to(tmp_path / "drive")
    (tmp_path / "drive" / "again").symlink_to(bag)
    assert list(find_bags(tmp_path / "drive")) == [bag]


@need_links
def test_the_path_itself_may_be_a_link(hand_made: HandMade, tmp_path: Path) -> None:
    hand_made("drive/2026-03-14")
    (tmp_path / "stick").symlink_to(tmp_path / "drive")
    assert list(find_bags(tmp_path / "stick")) == [tmp_path / "stick" / "2026-03-14"]


def test_bags_in_a_systems_bin_are_let_lie(hand_made: HandMade, tmp_path: Path) -> None:
    hand_made("$RECYCLE.BIN/2026-03-14")
    hand_made("System Volume Information/2026-03-14")
    assert list(find_bags(tmp_path)) == []


def test_a_night_that_was_never_finished_is_found(tmp_path: Path) -> None:
    (tmp_path / "2026-03-14" / "nightferry").mkdir(parents=True)
    (tmp_path / "2026-03-14" / "nightferry" / "journal.jsonl").touch()
    assert list(find_bags(tmp_path)) == [tmp_path / "2026-03-14"]


def test_a_night_whose_declaration_is_lost_is_found(hand_made: HandMade, tmp_path: Path) -> None:
    bag = hand_made()
    (bag / "bagit.txt").unlink()
    assert list(find_bags(tmp_path)) == [bag]


@pytest.fixture
def deep_tree(tmp_path: Path) -> Iterator[Path]:
    """A thousand folders in each other, deeper than recursion goes, and then longer than a path can be."""
    names = ["d"] * 1050 + ["d" * 250] * 10
    folder = os.open(tmp_path, os.O_RDONLY)
    for name in names:
        os.mkdir(name, dir_fd=folder)
        folder = _step(name, folder)
    yield tmp_path
    for name in reversed(names):
        folder = _step("..", folder)
        os.rmdir(name, dir_fd=folder)
    os.close(folder)


def _step(name: str, folder: int) -> int:
    try:
        return os.open(name, os.O_RDONLY, dir_fd=folder)
    finally:
        os.close(folder)


@need_dir_fd
def test_a_tree_deeper_than_any_path_ends_the_search_there_and_says_so(
    hand_made: HandMade, deep_tree: Path
) -> None:
    bag = hand_made("2026-03-14")
    unreadable: list[Path] = []
    assert list(find_bags(deep_tree, lambda path, error: unreadable.append(path))) == [bag]
    assert len(unreadable) == 1
