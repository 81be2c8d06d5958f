"""The names in use in the archive, for whoever completes or corrects what a person types."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import repeat

from manifests.index.believing import require_kinds
from manifests.index.frame_query import SECONDS_PER_HOUR
from manifests.index.opening import Index

_FILTERS = """
SELECT filter, sum(files), sum(total_exposure_s) FROM series
WHERE is_frame = 1 AND in_use = 1 AND filter IS NOT NULL AND ifnull(frame_type, 'light') = 'light'
GROUP BY filter ORDER BY filter
"""


@dataclass(frozen=True, slots=True)
class ArchiveNames:
    """Every target's, filter's and camera's one name, sorted."""

    targets: tuple[str, ...]
    filters: tuple[str, ...]
    cameras: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FilterRow:
    """What there is of lights in one filter, all targets together."""

    filter: str
    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class ShownNames:
    """Names of the archive that are shown otherwise: its name → the one that the person gave since."""

    targets: Mapping[str | None, str] = field(default_factory=dict)
    filters: Mapping[str | None, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.targets or self.filters)


AS_ARCHIVED = ShownNames()


def filters(index: Index) -> Iterator[FilterRow]:
    """Return the archive's filters, sorted by name. Raises IndexFault."""
    with index.snapshot():
        found = [FilterRow(*row) for row in index.rows(_FILTERS)]
        require_kinds([one.filter for one in found], repeat(str, len(found)))
    yield from found


def names(index: Index) -> ArchiveNames:
    """Return the names in use. Raises IndexFault."""
    return ArchiveNames(
        _column(
            index,
            "SELECT DISTINCT target FROM series WHERE is_frame = 1 AND target IS NOT NULL ORDER BY target",
        ),
        _column(
            index,
            "SELECT DISTINCT filter FROM series WHERE is_frame = 1 AND filter IS NOT NULL ORDER BY filter",
        ),
        _column(
            index,
            "SELECT DISTINCT camera FROM series WHERE is_frame = 1 AND camera IS NOT NULL ORDER BY camera",
        ),
    )


def _column(index: Index, sql: str) -> tuple[str, ...]:
    with index.snapshot():
        found = tuple(row[0] for row in index.rows(sql))
        require_kinds(found, repeat(str, len(found)))
    return found
