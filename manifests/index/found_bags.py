"""Finds the bags of an archive, with a stamp by which each is recognised without reading it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from manifests.bags.bag_finding import find_bags
from manifests.bags.paths import TAG_MANIFEST
from manifests.findings import Finding, FindingKind


class TagStamp(NamedTuple):
    """Size, modification time and file number of a bag's tag manifest: each version has its own.

    The tag manifest lists the digests of all other lists, so it changes with the bag. Its size hardly ever
    changes; its file number does, because it is replaced, not overwritten.
    """

    size_bytes: int
    modified_ns: int
    inode: int


@dataclass(frozen=True, slots=True)
class FoundBag:
    """A bag: its folder, its path below the archive (with `/`), and its stamp, None where it has none."""

    folder: Path
    path: str
    stamp: TagStamp | None


@dataclass(frozen=True, slots=True)
class FoundBags:
    """All bags found, by their paths in order; `unreadable` are folders that could not be read."""

    bags: dict[str, FoundBag]
    unreadable: list[Finding] = field(default_factory=list)

    def may_lie_unseen(self, path: str) -> bool:
        """Return whether a bag of this path may lie in a folder that could not be read."""
        return any(_is_at_or_below(path, finding.path) for finding in self.unreadable)


def bags_of(archive: Path) -> FoundBags:
    """Find the bags at and below the archive's folder. Raises OSError where that is not there."""
    unreadable: list[Finding] = []

    def could_not_look_into(folder: Path, error: OSError) -> None:
        detail = error.strerror or str(error)
        unreadable.append(Finding(FindingKind.UNREADABLE, detail, _below(archive, folder)))

    bags: dict[str, FoundBag] = {}
    for folder in find_bags(archive, could_not_look_into):
        if folder.is_relative_to(archive):
            path = _below(archive, folder)
            if _is_unicode(path):
                bags[path] = FoundBag(folder, path, stamp_of(folder))
            else:
                unreadable.append(Finding(FindingKind.UNREADABLE, "its name is not Unicode", path))
    return FoundBags(dict(sorted(bags.items())), unreadable)


def bag_at(archive: Path, folder: Path) -> FoundBag:
    """Return one bag of the archive. Raises ValueError where the folder does not lie in the archive."""
    return FoundBag(folder, _below(archive, folder), stamp_of(folder))


def stamp_of(folder: Path) -> TagStamp | None:
    """Return a bag's stamp; None where its tag manifest is missing or unreadable."""
    try:
        found = (folder / TAG_MANIFEST).stat()
    except OSError:
        return None
    # A file number may have 64 bits without a sign, and the index has one bit less.
    return TagStamp(found.st_size, found.st_mtime_ns, found.st_ino & (2**63 - 1))


def _below(archive: Path, folder: Path) -> str:
    return folder.relative_to(archive).as_posix()


def _is_at_or_below(path: str, folder: str) -> bool:
    return folder in (".", path) or path.startswith(f"{folder}/")


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
