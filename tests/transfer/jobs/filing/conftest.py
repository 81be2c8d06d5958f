"""What the tests of filing share: places in memory, where a flush costs nothing, and a desk to file at."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from desks import Desk
from nights import Computer, prepared


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Give a folder in memory where there is one: a run flushes dozens of times, as it must on a disk."""
    memory = Path("/dev/shm")
    parent = memory if memory.is_dir() and os.access(memory, os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="nightferry-filing-", dir=parent))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Give a computer with an archive's folder, and no archive in it yet."""
    return Desk(tmp_path / "desk")


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    """Give an imaging computer with empty sources."""
    return Computer(tmp_path / "night")


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Give a prepared folder."""
    return prepared(tmp_path / "stick", "Larch stick")
