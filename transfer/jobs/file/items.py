"""What is to be filed: single files, and the bag or folder that brings them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from manifests.bags.algorithms import SHA256
from manifests.bags.builder import Content, Wanted
from manifests.bags.entries import Entry
from manifests.bags.inventory import Expected
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from transfer.engine.medium import PinnedFolder
from transfer.engine.sources import SourceFile


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One file to be filed.

    `file` says where it came from in the first place (its source, and its path there) and how large and
    old it is; `opened` is its path on the drive, below the delivery's pinned folder where that has one,
    and `shown` the same for people. `stored` is source and path as the drive spells them. `expected` is
    what its bag says of it, empty where it comes without one; `entry` what the bag knows of it.
    """

    file: SourceFile
    opened: str
    shown: str
    stored: str
    night: date
    frame: Frame | None = None
    entry: Entry | None = None
    expected: tuple[Expected, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def size_bytes(self) -> int:
        """The file's size."""
        return self.file.size_bytes

    @property
    def sha256(self) -> str | None:
        """The SHA-256 that its bag lists; None where none is listed."""
        digests = (each.digest for each in self.expected if each.manifest.algorithm == SHA256)
        found = next(digests, None)
        return None if found is None else found.hex()

    def others(self) -> tuple[Wanted, ...]:
        """Return the digests by other algorithms that it takes to hold the file against its bag."""
        algorithms = ((each.manifest.algorithm, len(each.digest)) for each in self.expected)
        return tuple(Wanted(one, size) for one, size in algorithms if one is not None and one != SHA256)

    def differs(self, content: Content) -> str:
        """Return by which manifest the content is not what the bag lists; empty where it is."""
        wrong = (each.manifest.name for each in self.expected if not _holds(each, content))
        return ", ".join(wrong)


def _holds(expected: Expected, content: Content) -> bool:
    algorithm = expected.manifest.algorithm
    if algorithm is None:
        return True  # no digest that can be made here; another manifest vouches for the file
    if algorithm == SHA256:
        return content.digests.sha256 == expected.digest.hex()
    return content.others[Wanted(algorithm, len(expected.digest))] == expected.digest


@dataclass(frozen=True, slots=True)
class Refusal:
    """A file that is not filed, by its path for people, and why."""

    shown: str
    finding: Finding


def not_filed(shown: str, why: str) -> Refusal:
    """Return the refusal of a file that cannot be carried, named or proven."""
    return Refusal(shown, Finding(FindingKind.NOT_FILED, why, shown))


@dataclass(frozen=True, slots=True)
class Acknowledgeable:
    """A night's bag that an acknowledgement may be written into: where it is, and how it was when read.

    `root` is the drive's, `bag` the bag's path below it, `fingerprint` its tag manifest's text, None where
    a power cut has left it without one.
    """

    root: Path
    folder: PinnedFolder
    bag: str
    fingerprint: str | None


@dataclass(slots=True)
class Delivery:
    """One bag, or one folder without a bag, with what was found wrong before a file of it was read.

    `portions` gives its files, so many at a time; each portion is carried and published by itself.
    `findings` are about the whole, `faults` those that show that not all of it can be relied on.
    `below` is the pinned folder that items' paths are relative to; None where they are whole.
    """

    label: str
    root: Path
    portions: Iterator[list[Item]]
    below: PinnedFolder | None = None
    drive_name: str = ""
    drive_id: str | None = None
    acknowledgeable: Acknowledgeable | None = None
    refusals: list[Refusal] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    faults: list[Finding] = field(default_factory=list)
