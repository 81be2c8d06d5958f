from pathlib import Path

import pytest

from transfer.archive.whereabouts import is_an_archive


def bag(folder: Path) -> Path:
    (folder / "data").mkdir(parents=True)
    (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (folder / "manifest-sha256.txt").touch()
    return folder


@pytest.mark.parametrize("place", ["M 51", "nights/2026-03-14"])
def test_a_folder_that_has_bags_where_an_archive_has_them_is_one(tmp_path, place):
    bag(tmp_path / place)
    assert is_an_archive(tmp_path)


def test_a_folder_with_the_mark_is_one_before_anything_is_filed(tmp_path):
    (tmp_path / "nightferry-archive.toml").touch()
    assert is_an_archive(tmp_path)


def test_a_drive_that_nights_are_sent_to_is_none(tmp_path):
    bag(tmp_path / "2026-03-14")
    (tmp_path / "nightferry-drive.toml").touch()
    assert not is_an_archive(tmp_path)


def test_a_folder_with_bags_somewhere_deep_below_is_none(tmp_path):
    bag(tmp_path / "Documents" / "stick" / "2026-03-14")
    assert not is_an_archive(tmp_path)


def test_a_bag_is_none(tmp_path):
    assert not is_an_archive(bag(tmp_path))
