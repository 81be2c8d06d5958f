"""Which contents an archive has that other archives have not, asked of their indexes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container
from datetime import date
from typing import NamedTuple

from manifests.index.believing import require_kinds
from manifests.index.opening import Index

_CONTENTS = """
SELECT DISTINCT files.sha256 FROM files
JOIN series ON series.id = files.series_id JOIN bags ON bags.id = series.bag_id
WHERE bags.present AND files.size_bytes > 0
"""
_BY_NIGHT = """
SELECT series.night, series.target, files.sha256 FROM files
JOIN series ON series.id = files.series_id JOIN bags ON bags.id = series.bag_id
WHERE bags.present AND files.size_bytes > 0
"""


class NightOfTarget(NamedTuple):
    """A night, and a target of it; None for all that is of no target."""

    night: date
    target: str | None


def contents(index: Index) -> set[bytes]:
    """Return the SHA-256 digest of every content that the archive lists. Raises IndexFault."""
    with index.snapshot():
        return {sha256 for (sha256,) in index.rows(_CONTENTS, ())}


def not_among(index: Index, elsewhere: Container[bytes]) -> Counter[NightOfTarget]:
    """Return how many files of each night and target have a content that is not `elsewhere`.

    Raises IndexFault.
    """
    alone: Counter[NightOfTarget] = Counter()
    with index.snapshot():
        for night, target, sha256 in index.rows(_BY_NIGHT, ()):
            if sha256 not in elsewhere:
                require_kinds((night,), (str,))
                alone[NightOfTarget(date.fromisoformat(night), target)] += 1
    return alone
