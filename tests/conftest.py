"""What all tests share: real volumes to write to."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest

from tests.support.volumes import Volume, volume

VolumeFactory = Callable[..., AbstractContextManager[Volume]]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what mounts volumes, so that `-m "not volume"` leaves it out."""
    for item in items:
        if "volumes" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.volume)


@pytest.fixture(scope="session")
def volumes() -> VolumeFactory:
    """Return a factory: `with volumes("exfat", size_mb=64) as drive:` mounts a volume of its own."""
    return volume
