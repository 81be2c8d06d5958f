"""What the tests of filing share: places in memory, where a flush costs nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.in_memory import folder_in_memory
from tests.support.nights import prepared


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory where there is one: a run flushes dozens of times, as it must on a disk."""
    with folder_in_memory() as folder:
        yield folder


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Return a prepared folder."""
    return prepared(tmp_path / "stick", "Larch stick")
