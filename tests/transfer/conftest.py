"""What the tests share: a small archive and its notes, a desk to file at, an imaging computer, a stick."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.archives import small_archive
from tests.support.desks import Desk
from tests.support.nights import Computer, prepared
from transfer.archive.notes import Note


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return an archive without an index."""
    return small_archive(tmp_path / "archive")


@pytest.fixture
def told() -> list[Note]:
    """Return a list for what is told."""
    return []


@pytest.fixture
def read_only(root: Path) -> Iterator[Path]:
    """Return an archive in a folder that this user may not write to."""
    if os.name == "nt":
        pytest.skip("permissions of folders bind nobody there")
    for folder in (root, *root.parents):
        if folder.stat().st_uid == os.geteuid() and folder != Path("/"):
            folder.chmod(folder.stat().st_mode | 0o055)
    root.chmod(0o555)
    root_user = os.geteuid() == 0
    if root_user:
        os.seteuid(65534)
    yield root
    if root_user:
        os.seteuid(0)
    root.chmod(0o755)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Return a computer with an archive's folder, and no archive in it yet."""
    return Desk(tmp_path / "desk")


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    """Return an imaging computer with empty sources."""
    return Computer(tmp_path / "night")


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Return a prepared folder."""
    return prepared(tmp_path / "stick")
