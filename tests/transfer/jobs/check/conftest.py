"""Places in memory for the tests of checking."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.in_memory import folder_in_memory


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """Return a folder in memory, where a flush costs nothing."""
    with folder_in_memory() as folder:
        yield folder
