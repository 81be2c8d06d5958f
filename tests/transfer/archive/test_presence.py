from __future__ import annotations

import os
from pathlib import Path

import pytest

from transfer.archive.presence import Presence


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "M 51/data").mkdir(parents=True)
    (tmp_path / "M 51/data/a.fits").touch()
    return tmp_path


def test_a_file_is_there_or_it_is_not(root: Path) -> None:
    presence = Presence(root)
    assert presence.has("M 51", "data/a.fits")
    assert not presence.has("M 51", "data/b.fits")
    assert not presence.has("M 51", "data/Ha/a.fits")
    assert not presence.has("M 33", "data/a.fits")


def test_a_bag_that_is_the_archive_itself_is_looked_into(root: Path) -> None:
    assert Presence(root / "M 51").has(".", "data/a.fits")


def test_a_folder_is_listed_once(root: Path) -> None:
    presence = Presence(root)
    assert presence.has("M 51", "data/a.fits")
    (root / "M 51/data/a.fits").unlink()
    assert presence.has("M 51", "data/a.fits")
    assert not Presence(root).has("M 51", "data/a.fits")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permissions bind nobody there")
def test_what_cannot_be_seen_is_not_called_absent(root: Path) -> None:
    (root / "M 51/data").chmod(0)
    root_user = os.geteuid() == 0
    if root_user:
        for folder in (root, *root.parents[:3]):
            folder.chmod(folder.stat().st_mode | 0o055)
        os.seteuid(65534)
    try:
        assert Presence(root).has("M 51", "data/a.fits")
    finally:
        if root_user:
            os.seteuid(0)
        (root / "M 51/data").chmod(0o755)
