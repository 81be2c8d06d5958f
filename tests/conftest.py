"""What all tests share: real volumes to write to."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "support"))

from volumes import Volume, volume

VolumeFactory = Callable[..., AbstractContextManager[Volume]]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what mounts volumes, so that `-m "not volume"` leaves it out."""
    for item in items:
        if "volumes" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.volume)


@pytest.fixture(scope="session")
def volumes() -> VolumeFactory:
    """Give a factory: `with volumes("exfat", size_mb=64) as drive:` mounts a volume of its own."""
    return volume
