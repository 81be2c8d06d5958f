"""What the tests of filing share: places in memory, where a flush costs nothing."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.nights import prepared


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory where there is one: a run flushes dozens of times, as it must on a disk."""
    memory = Path("/dev/shm")
    parent = memory if memory.is_dir() and os.access(memory, os.W_OK) else None
    folder = Path(tempfile.mkdtemp(prefix="nightferry-filing-", dir=parent))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Return a prepared folder."""
    return prepared(tmp_path / "stick", "Larch stick")
