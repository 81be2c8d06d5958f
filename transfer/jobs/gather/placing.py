"""Each frame's path in the folder: where it lies already, wherever a person put it, or a new one."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from manifests.bags.containment import open_ordinary
from manifests.bags.stored_names import NameBook, portable_path, same_name_key
from manifests.findings import Finding, FindingKind
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.jobs.gather.archive_frames import ArchiveFile, ArchiveFrame
from transfer.jobs.gather.matching import MatchedFrames
from transfer.jobs.gather.places import folders

_NUMBER = re.compile(r" \(\d+\)(?=\.|\Z)")


@dataclass(frozen=True, slots=True)
class InPlace:
    """A frame found in the folder: its `path` below it. `shared`: it is the archive's own file, linked."""

    path: str
    shared: bool


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
    there: Mapping[str, InPlace]
    remarks: tuple[Finding, ...]


def place(matched: MatchedFrames, found: InFolder, rotation_deg: float) -> Placing:
    """Return each frame's place. No two files get the same name, in whichever folders they lie.

    So a program that writes all its results into one folder can keep them apart, too.
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


def _kept_beside(new: tuple[Placed, ...], found: InFolder, there: Mapping[str, InPlace]) -> Iterator[Finding]:
    """Report names that another file in the folder has, which is none of these frames."""
    known = {at.path for at in there.values()}
    for placed in new:
        other = found.names.get(same_name_key(portable_path(placed.frame.name)))
        if other is not None and other not in known:
            yield Finding(FindingKind.KEPT_BOTH, f"the other is {other}", placed.path)


@dataclass(frozen=True, slots=True)
class _File:
    path: str
    modified_ns: int


@dataclass(slots=True)
class InFolder:
    """All files of a folder, found again by identity or by name, size and content."""

    root: Path
    names: dict[str, str] = field(default_factory=dict)
    """A path for each file name, by a key that is equal for names that some file system takes as the same."""
    _by_identity: dict[tuple[int, int], str] = field(default_factory=dict)
    _alike: dict[tuple[str, int], list[_File]] = field(default_factory=dict)

    def find(self, frame: ArchiveFrame, file: ArchiveFile) -> InPlace | None:
        """Find a frame: its file itself, or a copy of the same name (numbered or not), size and content.

        A copy with the modification time of the archive's file, to the nanosecond, is not read; any other is.
        """
        linked = self._by_identity.get(file.identity)
        if linked is not None:
            return InPlace(linked, shared=True)
        alike = self._alike.get((_plain_name(frame.name), file.size_bytes), [])
        for each in sorted(alike, key=lambda found: found.modified_ns != file.modified_ns):
            if each.modified_ns == file.modified_ns or _sha256(self.root / each.path) == frame.row.sha256:
                return InPlace(each.path, shared=False)
        return None

    def add(self, path: str, facts: os.stat_result) -> None:
        """Add one file."""
        self._by_identity.setdefault((facts.st_dev, facts.st_ino), path)
        key = (_plain_name(path.rpartition("/")[2]), facts.st_size)
        self._alike.setdefault(key, []).append(_File(path, facts.st_mtime_ns))


def look_into(root: Path) -> InFolder:
    """List the files of a folder, at any depth. Links to folders are not followed, links to files are.

    A file that cannot be looked at, such as a link that leads nowhere, counts by its name alone.
    """
    found = InFolder(root)
    for path in _files(root):
        found.names.setdefault(same_name_key(path.rpartition("/")[2]), path)
        with contextlib.suppress(OSError):
            found.add(path, os.stat(root / path))  # noqa: PTH116 - a folder may hold a hundred thousand
    return found


def _files(root: Path) -> Iterator[str]:
    pending = [""]
    while pending:
        below = pending.pop()
        try:
            with os.scandir(root / below) as entries:
                for entry in sorted(entries, key=lambda each: each.name):
                    path = f"{below}/{entry.name}" if below else entry.name
                    if entry.is_dir(follow_symlinks=False):
                        pending.append(path)
                    else:
                        yield path
        except OSError:
            continue


def _plain_name(name: str) -> str:
    return same_name_key(_NUMBER.sub("", name))


def _sha256(path: Path) -> str | None:
    digest = hashlib.sha256()
    try:
        with open_ordinary(path) as file:
            while block := file.read(BLOCK_BYTES):
                digest.update(block)
    except OSError:
        return None
    return digest.hexdigest()
