"""Each frame given its place in the folder: the one that it has there already, or a new one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from manifests.bags.stored_names import NameBook, portable_path, same_name_key
from manifests.findings import Finding, FindingKind
from transfer.jobs.gather.already import InFolder, There
from transfer.jobs.gather.archive_frames import ArchiveFrame
from transfer.jobs.gather.matching import Matched
from transfer.jobs.gather.places import folders
from transfer.jobs.gather.presence import ArchiveFile


@dataclass(frozen=True, slots=True)
class Placed:
    """A frame to be laid out: its file in the archive, and its path in the folder."""

    frame: ArchiveFrame
    file: ArchiveFile
    path: str


@dataclass(frozen=True, slots=True)
class Placing:
    """What is to be laid out, what lies there already (by its path in the archive), what deserves a look."""

    new: tuple[Placed, ...]
    there: Mapping[str, There]
    remarks: tuple[Finding, ...]


def place(matched: Matched, found: InFolder, rotation_deg: float) -> Placing:
    """Give each frame its place. No two files get the same name, in whichever folders they lie.

    A program that puts all its results into one folder can then keep them apart, too.
    """
    there = {
        frame.path: at
        for frame in matched.frames
        if (at := found.find(frame, matched.files[frame.path])) is not None
    }
    book = NameBook(path.rpartition("/")[2] for path in found.names.values())
    into = folders(matched.frames, rotation_deg)
    new = tuple(
        Placed(frame, matched.files[frame.path], f"{into[frame.path]}/{book.claim(frame.name)}")
        for frame in matched.frames
        if frame.path not in there
    )
    return Placing(new, there, tuple(_kept_beside(new, found, there)))


def _kept_beside(new: tuple[Placed, ...], found: InFolder, there: Mapping[str, There]) -> list[Finding]:
    """Tell of names that something else in the folder has, which is none of these frames."""
    known = {at.path for at in there.values()}
    others = (
        (placed.path, found.names.get(same_name_key(portable_path(placed.frame.name)))) for placed in new
    )
    return [
        Finding(FindingKind.KEPT_BOTH, f"the other is {other}", path)
        for path, other in others
        if other is not None and other not in known
    ]
