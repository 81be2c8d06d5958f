"""Checks values read from the index before they are used: their types, and paths that stay inside."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from types import NoneType

from manifests.bags.containment import danger
from manifests.bags.paths import PAYLOAD

TEXT = (str, NoneType)
NUMBER = (float, int, NoneType)

_PAYLOAD = f"{PAYLOAD}/"


def require_kinds(values: Iterable[object], kinds: Iterable[type | tuple[type, ...]]) -> None:
    """Check the type of each value; SQLite keeps any type in any column. Raises TypeError."""
    if not all(map(isinstance, values, kinds)):
        raise TypeError("a value is not of its column's kind")


def require_inside(bag: str, path: str) -> None:
    """Check that a bag lies in the archive, and a file in the bag's payload. Raises ValueError."""
    why = _why_not_inside(bag)
    # Nearly every path is plainly inside, and there may be a million of them.
    if not path.startswith(_PAYLOAD) or ".." in path or "\0" in path:
        why = why or danger(path) or ("" if path.startswith(_PAYLOAD) else "lies outside the payload")
    if why:
        raise ValueError(f"the path {bag!r:.80}, {path!r:.80} {why}")


def require_bag_inside(bag: str) -> None:
    """Check that a bag lies in the archive. Raises ValueError."""
    why = _why_not_inside(bag)
    if why:
        raise ValueError(f"the bag {bag!r:.80} {why}")


@lru_cache(maxsize=4096)
def _why_not_inside(bag: str) -> str:
    return danger(bag)
