"""Frames that lie in the folder already, wherever in it a person has put them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from manifests.bags.containment import open_ordinary
from manifests.bags.stored_names import same_name_key
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.jobs.gather.archive_frames import ArchiveFrame
from transfer.jobs.gather.presence import ArchiveFile

_NUMBER = re.compile(r" \(\d+\)(?=\.|\Z)")


@dataclass(frozen=True, slots=True)
class There:
    """A frame found in the folder: its `path` below it. `shared`: the very file of the archive, linked."""

    path: str
    shared: bool


@dataclass(frozen=True, slots=True)
class _File:
    path: str
    modified_ns: int


@dataclass(slots=True)
class InFolder:
    """All files of a folder, by what they can be known again."""

    root: Path
    names: dict[str, str] = field(default_factory=dict)
    """A path for each name that a file has, by a key that is equal for names that some disk takes for one."""
    _by_identity: dict[tuple[int, int], str] = field(default_factory=dict)
    _alike: dict[tuple[str, int], list[_File]] = field(default_factory=dict)

    def find(self, frame: ArchiveFrame, file: ArchiveFile) -> There | None:
        """Find a frame: its file itself, or a copy of the same name (numbered or not), size and content.

        A copy as old as the archive's file, to the nanosecond, is taken for it; any other is read.
        """
        linked = self._by_identity.get(file.identity)
        if linked is not None:
            return There(linked, shared=True)
        alike = self._alike.get((_plain_name(frame.name), file.size_bytes), [])
        for each in sorted(alike, key=lambda found: found.modified_ns != file.modified_ns):
            if each.modified_ns == file.modified_ns or _sha256(self.root / each.path) == frame.row.sha256:
                return There(each.path, shared=False)
        return None

    def add(self, path: str, facts: os.stat_result) -> None:
        """Take one file in."""
        self._by_identity.setdefault((facts.st_dev, facts.st_ino), path)
        key = (_plain_name(path.rpartition("/")[2]), facts.st_size)
        self._alike.setdefault(key, []).append(_File(path, facts.st_mtime_ns))


def look_into(root: Path) -> InFolder:
    """List what lies in a folder, at any depth; links to folders are not followed, links to files are.

    Of what can't be looked at, such as a link that leads nowhere, the name is taken all the same.
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
