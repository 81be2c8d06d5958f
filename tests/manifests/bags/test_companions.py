import os
from pathlib import Path

import pytest

from manifests.bags.companions import is_companion
from tests.support.systems import need_pipes

APPLE_DOUBLE = b"\x00\x05\x16\x07\x00\x02\x00\x00"  # RFC 1740: magic and version


def test_a_companion_by_content_is_known(tmp_path: Path) -> None:
    (tmp_path / "._light.fits").write_bytes(APPLE_DOUBLE)
    assert is_companion(tmp_path / "._light.fits")


@pytest.mark.parametrize("content", [b"", b"\x00\x05\x16", b"\x00\x05\x16\x00", b"SIMPLE"])
def test_a_file_that_only_has_a_companions_name_is_looked_at_and_not_ignored(
    tmp_path: Path, content: bytes
) -> None:
    (tmp_path / "._light.fits").write_bytes(content)
    assert not is_companion(tmp_path / "._light.fits")


def test_a_companions_content_under_an_ordinary_name_is_an_ordinary_file(tmp_path: Path) -> None:
    (tmp_path / "light.fits").write_bytes(APPLE_DOUBLE)
    assert not is_companion(tmp_path / "light.fits")


@pytest.mark.parametrize("name", [".DS_Store", "Thumbs.db", "thumbs.DB", "desktop.ini"])
def test_a_systems_own_file_is_known_in_any_case(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"x")
    assert is_companion(tmp_path / name)


@pytest.mark.parametrize(
    "name",
    ["System Volume Information", "$RECYCLE.BIN", ".Trashes", ".Trash-1000", "lost+found", ".fseventsd"],
)
def test_a_systems_own_folder_is_known(tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    assert is_companion(tmp_path / name)


def test_a_file_called_as_such_a_folder_and_a_folder_called_as_such_a_file_are_not(tmp_path: Path) -> None:
    (tmp_path / "lost+found").write_bytes(b"x")
    (tmp_path / "Thumbs.db").mkdir()
    assert not is_companion(tmp_path / "lost+found")
    assert not is_companion(tmp_path / "Thumbs.db")


@need_pipes
def test_a_fifo_with_a_companions_name_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "._x")
    assert not is_companion(tmp_path / "._x")


def test_what_is_not_there_is_not_a_companion(tmp_path: Path) -> None:
    assert not is_companion(tmp_path / ".DS_Store")
