"""Counts and hours in words."""

from __future__ import annotations

from functools import lru_cache


def counted(number: int, noun: str) -> str:
    """Give a number of things: "1 frame", "1,204 frames"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


@lru_cache(maxsize=4096)  # a long list says few numbers of hours many times
def hours_told(hours: float) -> str:
    """Give hours to a tenth, and what is less than that but not nothing as just that."""
    return "<0.1" if 0 < hours < 0.05 else f"{hours:,.1f}"
