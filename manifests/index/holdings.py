"""The bags that the index knows, and the places where a given content is stored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.index.believing import require_bag_inside, require_inside, require_kinds
from manifests.index.opening import Index

_BAGS = """
SELECT bags.id, bags.path, bags.present, total(CASE WHEN is_frame THEN files END), total(files)
FROM bags LEFT JOIN series ON series.bag_id = bags.id GROUP BY bags.id ORDER BY bags.path
"""
_BAG_FINDINGS = "SELECT kind, detail, path FROM findings WHERE bag_id = ? AND file_id IS NULL ORDER BY rowid"
_WHERE = """
SELECT bags.path, files.path, bags.present
FROM files JOIN series ON series.id = files.series_id JOIN bags ON bags.id = series.bag_id
WHERE files.sha256 = ? ORDER BY bags.path, files.path
"""


# Lights, and frames of no known type, which may be lights.
_LIGHTS = """
SELECT bags.path, files.path, files.sha256, files.size_bytes
FROM series JOIN bags ON bags.id = series.bag_id JOIN files ON files.series_id = series.id
WHERE is_frame = 1 AND ifnull(frame_type, 'light') = 'light' AND bags.present = 1
"""


class LightFile(NamedTuple):
    """A light's file: `path` in `bag`, which is the bag's path below the archive."""

    bag: str
    path: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class BagRow:
    """One bag: its path below the archive, whether it is not there now, what it has, what is wrong with it.

    `findings` are about the bag's own lists, with paths in the bag; those of its files are with the files.
    """

    path: str
    absent: bool
    frames: int
    files: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Holding:
    """A place in the archive where a content lies: a path in a bag."""

    bag: str
    path: str
    absent: bool


def lights_there(index: Index) -> list[LightFile]:
    """Return the files of all lights whose bag is there, and of frames of no known type.

    Only what it takes to find them: a million are asked for in seconds. Raises IndexFault.
    """
    found: list[LightFile] = []
    with index.snapshot():
        for bag, path, sha256, size_bytes in index.rows(_LIGHTS):
            require_kinds((bag, path, sha256, size_bytes), (str, str, bytes, int))
            require_inside(bag, path)
            found.append(LightFile(bag, path, sha256.hex(), size_bytes))
    return found


def bags(index: Index) -> Iterator[BagRow]:
    """Return the bags that the index knows, sorted by path. Raises IndexFault."""
    with index.snapshot():
        found = [_bag_row(index, *row) for row in index.rows(_BAGS)]
    yield from found


def _bag_row(index: Index, number: int, path: str, present: int, frames: float, files: float) -> BagRow:
    require_kinds((path,), (str,))
    require_bag_inside(path)
    findings = tuple(
        Finding(FindingKind(kind), str(detail), str(where))
        for kind, detail, where in index.rows(_BAG_FINDINGS, (number,))
    )
    return BagRow(path, not present, int(frames), int(files), findings)


def holdings(index: Index, sha256: str) -> tuple[Holding, ...]:
    """Return the places where the content of a SHA-256 digest (hexadecimal) lies. Raises IndexFault.

    An index is a cache: before a file is deleted because of a copy in the archive, prove that copy.
    """
    with index.snapshot():
        return tuple(_holding(*row) for row in index.rows(_WHERE, (bytes.fromhex(sha256),)))


def _holding(bag: str, path: str, present: int) -> Holding:
    require_kinds((bag, path), (str, str))
    require_inside(bag, path)
    return Holding(bag, path, not present)
