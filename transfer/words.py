"""Counts, sizes and hours in words."""

from __future__ import annotations

from functools import lru_cache


def counted(number: int, noun: str) -> str:
    """Return a number of things: "1 frame", "1,204 frames"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def staying(number: int, noun: str) -> str:
    """Return how many things stay: "1 file stays", "2 files stay"."""
    return f"{counted(number, noun)} {'stays' if number == 1 else 'stay'}"


@lru_cache(maxsize=4096)  # a long list has few different numbers of hours, many times
def hours_told(hours: float) -> str:
    """Return hours to a tenth; less than half a tenth, but not nothing, is "<0.1"."""
    return "<0.1" if 0 < hours < 0.05 else f"{hours:,.1f}"


def size_told(size_bytes: float) -> str:
    """Return a size in decimal units: "0 bytes", "1 byte", "4.2 MB"."""
    if size_bytes < 1000:
        return counted(int(size_bytes), "byte")
    from humanize import naturalsize  # loaded where a size is told, which many commands never do

    return naturalsize(size_bytes)


def in_quotes(name: str) -> str:
    """Return a name as every shell takes it for one word."""
    return name if name.replace("-", "").isalnum() else f'"{name}"'
