"""What the tests of the command line share: an imaging computer, and a folder that stands for a stick."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.nights import Computer, prepared


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    """Return an imaging computer with a small night."""
    made = Computer(tmp_path / "night")
    made.small_night()
    return made


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Return a prepared folder."""
    return prepared(tmp_path / "stick")
