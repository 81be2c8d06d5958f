import os
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from manifests.bags.contents import is_link, left_by_a_system, survey
from tests.support.systems import need_links, need_pipes


@need_pipes
def test_files_links_and_what_is_neither_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "data" / "a").mkdir(parents=True)
    (tmp_path / "data" / "a" / "f").write_bytes(b"abc")
    (tmp_path / "data" / "loop").symlink_to(tmp_path / "data")
    os.mkfifo(tmp_path / "data" / "fifo")
    contents = survey(tmp_path, ("data",))
    assert {path: stamp.size_bytes for path, stamp in contents.files.items()} == {"data/a/f": 3}
    assert contents.links == {"data/loop"}
    assert contents.others == {"data/fifo"}
    assert contents.unreadable == {}


def test_only_the_folders_asked_for_are_looked_into(tmp_path: Path) -> None:
    for path in ("top", "data/f", "other/f"):
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).touch()
    assert set(survey(tmp_path, ("data",)).files) == {"top", "data/f"}


@need_links
def test_what_lies_through_a_link_is_known_as_such(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "link").symlink_to("/")
    contents = survey(tmp_path, ("data",))
    assert contents.below_a_link("data/link/etc/passwd")
    assert contents.below_a_link("data/link")
    assert not contents.below_a_link("data/linked")


def test_a_folder_that_is_gone_makes_all_below_it_unreadable(tmp_path: Path) -> None:
    contents = survey(tmp_path / "gone", ("data",))
    assert contents.why_unreadable("data/a/f")


@pytest.mark.parametrize(("path", "theirs"), [("data/.Trashes/501/x", True), ("data/Thumbs.db/x", False)])
def test_what_lies_in_a_systems_folder_is_the_systems(tmp_path: Path, path: str, theirs: bool) -> None:
    (tmp_path / path).parent.mkdir(parents=True)
    (tmp_path / path).touch()
    assert left_by_a_system(tmp_path, path) is theirs


@pytest.mark.parametrize(
    ("tag", "elsewhere"),
    [
        (0, False),
        (0xA0000003, True),
        (0x9000001A, False),
    ],  # [MS-FSCC] 2.1.2.1: none, a junction, a cloud file
)
def test_a_junction_is_a_link_and_a_cloud_file_is_not(tag: int, elsewhere: bool) -> None:
    entry = SimpleNamespace(
        is_symlink=lambda: False, stat=lambda *, follow_symlinks: SimpleNamespace(st_reparse_tag=tag)
    )
    assert is_link(cast("os.DirEntry[str]", entry)) is elsewhere
