"""Which folder of the archive is whose, and what a bag of the archive lists."""

from pathlib import Path

import pytest

from transfer.archive.bags import Folders, bag_info, label_in
from transfer.archive.layout import owner_of_night, owner_of_target
from transfer.engine.medium import this_computer


@pytest.fixture
def archive(tmp_path: Path):
    folder = this_computer().pin(tmp_path)
    yield folder
    folder.close()


def bag(root: Path, name: str, info: str) -> None:
    (root / name / "data").mkdir(parents=True)
    (root / name / "bag-info.txt").write_text(info, encoding="utf-8")
    (root / name / "data" / "x").touch()


def test_a_bag_that_says_whose_it_is_is_found_again(tmp_path: Path, archive):
    owner = owner_of_target("M 51")
    info = bag_info(owner)
    bag(tmp_path, "M 51", "".join(f"{label}: {value}\n" for label, value in info.items()))
    assert label_in(archive, "M 51") == "target M 51"
    assert Folders(archive).of(owner) == "M 51"


def test_two_targets_that_no_disk_tells_apart_get_a_folder_each(archive):
    folders = Folders(archive)
    assert folders.of(owner_of_target("a/b")) == "a_b"
    assert folders.of(owner_of_target("a_b")) == "a_b (2)"
    assert folders.of(owner_of_target("a/b")) == "a_b"


def test_the_folder_of_another_target_is_not_taken_in_a_later_run(tmp_path: Path, archive):
    bag(tmp_path, "a_b", "Internal-Sender-Identifier: target a/b\n")
    assert Folders(archive).of(owner_of_target("a_b")) == "a_b (2)"


def test_a_persons_own_folder_and_somebody_elses_bag_are_let_be(tmp_path: Path, archive):
    (tmp_path / "M 51").mkdir()
    (tmp_path / "M 51" / "my notes.txt").touch()
    bag(tmp_path, "M 51 (2)", "Contact-Name: nobody\n")
    assert Folders(archive).of(owner_of_target("M 51")) == "M 51 (3)"


def test_a_file_in_the_place_of_a_bag_is_let_be(tmp_path: Path, archive):
    (tmp_path / "M 51").touch()
    assert Folders(archive).of(owner_of_target("M 51")) == "M 51 (2)"


def test_what_a_run_made_ready_that_died_at_once_is_used(tmp_path: Path, archive):
    (tmp_path / "nights/2026-03-14/nightferry/incoming").mkdir(parents=True)
    (tmp_path / "nights/2026-03-14/data").mkdir()
    from datetime import date

    assert Folders(archive).of(owner_of_night(date(2026, 3, 14))) == "nights/2026-03-14"
