"""What all tests share: real volumes to write to."""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest

from tests.support.volumes import Volume, volume

VolumeFactory = Callable[..., AbstractContextManager[Volume]]


def pytest_configure() -> None:
    """Let programs that tests start hear signals, also where these tests run in the background.

    A shell's background job, or `nohup`, ignores some signals, and every program started from it inherits
    that. A signal that has a handler here is at its default in a program started from here.
    """
    for name in ("SIGINT", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, lambda *_: None)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what mounts volumes, so that `-m "not volume"` leaves it out."""
    for item in items:
        if "volumes" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.volume)


@pytest.fixture(scope="session")
def volumes() -> VolumeFactory:
    """Return a factory: `with volumes("exfat", size_mb=64) as drive:` mounts a volume of its own."""
    return volume
