"""What has to be filed: single files, and the bag or folder that brings them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from manifests.bags.algorithms import SHA256
from manifests.bags.builder import Content, Wanted
from manifests.bags.entries import Entry
from manifests.bags.inventory import Expected
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from transfer.archive.layout import ArchivePlace
from transfer.engine.medium import PinnedFolder
from transfer.engine.sources import SourceFile


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One file that has to be filed.

    `file` is the file at its source (the source's name, the path there, size and time). `opened` is its path
    on the drive, below the delivery's pinned folder where there is one, and `shown` the same for people.
    `stored` is source and path as the drive spells them. `expected` are the digests that its bag lists,
    empty where it comes without a bag; `entry` is its entry in the bag. `place` is where it lies in another
    archive, which is its place in any.
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
    place: ArchivePlace | None = None

    @property
    def size_bytes(self) -> int:
        """The file's size."""
        return self.file.size_bytes

    @property
    def sha256(self) -> str | None:
        """The SHA-256 that its bag lists (hexadecimal); None where none is listed."""
        digests = (each.digest for each in self.expected if each.manifest.algorithm == SHA256)
        found = next(digests, None)
        return None if found is None else found.hex()

    def others(self) -> tuple[Wanted, ...]:
        """Return the digests by other algorithms that are needed to compare the file with its bag."""
        algorithms = ((each.manifest.algorithm, len(each.digest)) for each in self.expected)
        return tuple(Wanted(one, size) for one, size in algorithms if one is not None and one != SHA256)

    def differs(self, content: Content) -> str:
        """Return the manifests whose digest the content has not; empty where it has every one."""
        wrong = (each.manifest.name for each in self.expected if not _holds(each, content))
        return ", ".join(wrong)


def _holds(expected: Expected, content: Content) -> bool:
    algorithm = expected.manifest.algorithm
    if algorithm is None:
        return True  # this digest cannot be made here; another manifest lists one that can
    if algorithm == SHA256:
        return content.digests.sha256 == expected.digest.hex()
    return content.others[Wanted(algorithm, len(expected.digest))] == expected.digest


@dataclass(frozen=True, slots=True)
class Refusal:
    """A file that is not filed, by its path for people, and why.

    `damaged` is its path where it is opened, if it was read there and is not what its bag lists.
    """

    shown: str
    finding: Finding
    damaged: str = ""


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


@dataclass(frozen=True, slots=True)
class Portion:
    """Files that are carried and published together, with what was noticed while they were looked for."""

    items: tuple[Item, ...]
    refusals: tuple[Refusal, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Delivery:
    """One bag, or one folder without a bag, with what was found wrong before a file of it was read.

    `portions` are its files; it can be walked once. `refusals` are of files that cannot be read at all,
    `faults` show that not all of the delivery can be relied on. `below` is the pinned folder that items'
    paths are relative to; None where they are absolute.
    """

    label: str
    root: Path
    portions: Iterator[Portion]
    below: PinnedFolder | None = None
    drive_name: str = ""
    drive_id: str | None = None
    acknowledgeable: Acknowledgeable | None = None
    refusals: tuple[Refusal, ...] = ()
    faults: tuple[Finding, ...] = ()
