"""What a bag declares about itself, and which of its lines are malformed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from manifests.bags.algorithms import Algorithm
from manifests.bags.paths import Version
from manifests.findings import Finding, FindingKind

# A file of garbage must not become as many facts as it has lines.
_MOST_FAULTS_OF_ONE_FILE = 1000


@dataclass(frozen=True, slots=True)
class Malformed:
    """Something in a tag file that violates RFC 8493; `line` counts from 1; 0 is the whole file."""

    path: str
    line: int
    reason: str

    def as_finding(self) -> Finding:
        """Return it as a finding."""
        where = f"line {self.line}: " if self.line else ""
        return Finding(FindingKind.MALFORMED, f"{where}{self.reason}", self.path)


class Faults:
    """Collects what is malformed in one tag file: the first thousand are kept, the rest counted."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._kept: list[Malformed] = []
        self._uncounted = 0

    def add(self, line: int, reason: str) -> None:
        """Add one malformed line."""
        if len(self._kept) < _MOST_FAULTS_OF_ONE_FILE:
            self._kept.append(Malformed(self._path, line, reason))
        else:
            self._uncounted += 1

    def all(self) -> tuple[Malformed, ...]:
        """Return what was added, in the order of the lines."""
        if not self._uncounted:
            return tuple(self._kept)
        return (*self._kept, Malformed(self._path, 0, f"{self._uncounted} more lines are malformed"))


@dataclass(frozen=True, slots=True)
class Manifest:
    """One manifest: the digest of each path it lists, in its order.

    `algorithm` is None where this program has none of that name: the paths are listed, but their digests
    cannot be compared. `as_written` keeps the spelling of paths that hold a percent sign there.
    """

    name: str
    algorithm: Algorithm | None
    digests: Mapping[str, bytes]
    as_written: Mapping[str, str]


class Oxum(NamedTuple):
    """A Payload-Oxum (RFC 8493, section 2.2.2): how many bytes in how many files the payload is."""

    size_bytes: int
    files: int


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag as its tag files declare it; nothing of its payload has been looked at.

    `info` are the elements of bag-info.txt in their order. `fetchable` maps files that
    fetch.txt says may be elsewhere to their URLs. `journal` lists what an unfinished run of ours left to be
    proven; it is None where none was left. `unreadable` are tag files that the system would not read.
    """

    path: Path
    version: Version
    encoding: str
    info: tuple[tuple[str, str], ...]
    oxum: Oxum | None
    manifests: tuple[Manifest, ...]
    tag_manifests: tuple[Manifest, ...]
    fetchable: Mapping[str, str]
    journal: Manifest | None
    malformed: tuple[Malformed, ...]
    unreadable: tuple[Finding, ...]
