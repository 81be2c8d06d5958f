"""Small factories of headers and files, written out byte by byte."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import settings

# The first broken card loads astropy, which takes longer than an example may by default.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

BLOCK = 2880


def _card(keyword: str, value: object, comment: str = "") -> bytes:
    """Write a card in fixed format; a value that is bytes stands there as it is."""
    if isinstance(value, bytes):
        written = value
    elif isinstance(value, bool):
        written = f"{'T' if value else 'F':>20}".encode()
    elif isinstance(value, str):
        written = ("'" + value.replace("'", "''").ljust(8) + "'").encode()
    else:
        written = f"{value!r:>20}".encode()
    tail = f" / {comment}".encode() if comment else b""
    return (keyword.ljust(8).encode() + b"= " + written + tail)[:80].ljust(80)


def _header(*cards: bytes | tuple[object, ...]) -> bytes:
    lines = [card.ljust(80) if isinstance(card, bytes) else _card(*card) for card in cards]
    whole = b"".join(lines) + b"END".ljust(80)
    return whole + b" " * (-len(whole) % BLOCK)


def _primary(*cards: bytes | tuple[object, ...], axes: tuple[int, ...] = (), bitpix: int = 16) -> bytes:
    sizes = [(f"NAXIS{number}", size) for number, size in enumerate(axes, 1)]
    return _header(("SIMPLE", True), ("BITPIX", bitpix), ("NAXIS", len(axes)), *sizes, *cards)


def _extension(
    *cards: bytes | tuple[object, ...], kind: str = "IMAGE", axes: tuple[int, ...] = (), bitpix: int = 16
) -> bytes:
    sizes = [(f"NAXIS{number}", size) for number, size in enumerate(axes, 1)]
    counts = [("PCOUNT", 0), ("GCOUNT", 1)]
    return _header(("XTENSION", kind), ("BITPIX", bitpix), ("NAXIS", len(axes)), *sizes, *counts, *cards)


def _filled(data: bytes) -> bytes:
    return data + b"\0" * (-len(data) % BLOCK)


Factory = Callable[..., bytes]


@pytest.fixture(scope="session")
def card() -> Factory:
    return _card


@pytest.fixture(scope="session")
def header() -> Factory:
    """Make a whole header of the given cards, END and filling included."""
    return _header


@pytest.fixture(scope="session")
def primary() -> Factory:
    """Make a primary header with its mandatory cards."""
    return _primary


@pytest.fixture(scope="session")
def extension() -> Factory:
    """Make an extension's header with its mandatory cards."""
    return _extension


@pytest.fixture(scope="session")
def filled() -> Factory:
    """Fill data up to a whole block."""
    return _filled
