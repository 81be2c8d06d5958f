"""Lists a bag's folder: files, links, other things, and what could not be read."""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from manifests.bags.companions import is_companion, is_companion_folder
from manifests.bags.paths import composed

# The tag of a junction or a mounted volume on Windows ([MS-FSCC], 2.1.2.1): a link to another folder,
# which is_symlink does not see.
_MOUNT_POINT = 0xA0000003


class Stamp(NamedTuple):
    """A file's size and modification time (nanoseconds since 1970)."""

    size_bytes: int
    modified_ns: int


@dataclass(slots=True)
class Contents:
    """What was found. Paths are relative to the bag, with `/`, in the spelling of the disk.

    `others` are FIFOs, devices and sockets; `unreadable` maps a file or folder to the reason.
    """

    files: dict[str, Stamp] = field(default_factory=dict)
    links: set[str] = field(default_factory=set)
    others: set[str] = field(default_factory=set)
    unreadable: dict[str, str] = field(default_factory=dict)

    def below_a_link(self, path: str) -> bool:
        """Return whether a path is a link, or goes through one."""
        return bool(self.links) and any(part in self.links for part in _upwards(path))

    def why_unreadable(self, path: str) -> str:
        """Return why a path, or a folder above it, could not be read; empty where it could."""
        if not self.unreadable:
            return ""
        return next((self.unreadable[part] for part in _upwards(path) if part in self.unreadable), "")


def _upwards(path: str) -> Iterator[str]:
    while path:
        yield path
        path = path.rpartition("/")[0]
    yield ""


def is_link(entry: os.DirEntry[str]) -> bool:
    """Return whether a directory entry is a link to something elsewhere. Raises OSError."""
    if entry.is_symlink():
        return True
    return getattr(entry.stat(follow_symlinks=False), "st_reparse_tag", 0) == _MOUNT_POINT


def survey(folder: Path, tops: Collection[str]) -> Contents:
    """List what lies in `folder` itself and, at any depth, below those of its folders that `tops` names.

    Links are not followed, so no loop is walked. Trees of any depth are walked without recursion.
    """
    contents = Contents()
    pending = [""]
    while pending:
        below = pending.pop()
        try:
            with os.scandir(folder / below) as entries:
                for entry in entries:
                    path = f"{below}/{entry.name}" if below else entry.name
                    is_folder = _take(entry, path, contents)
                    if is_folder and (below or composed(entry.name) in tops):
                        pending.append(path)
        except OSError as error:
            contents.unreadable[below] = error.strerror or str(error)
    return contents


def _take(entry: os.DirEntry[str], path: str, contents: Contents) -> bool:
    """Record one directory entry, and return whether it is a folder."""
    try:
        if is_link(entry):
            contents.links.add(path)
            return False
        facts = entry.stat(follow_symlinks=False)
    except OSError as error:
        contents.unreadable[path] = error.strerror or str(error)
        return False
    if stat.S_ISREG(facts.st_mode):
        contents.files[path] = Stamp(facts.st_size, facts.st_mtime_ns)
    elif not stat.S_ISDIR(facts.st_mode):
        contents.others.add(path)
    return stat.S_ISDIR(facts.st_mode)


def left_by_a_system(folder: Path, path: str) -> bool:
    """Return whether something in a bag's folder is another system's companion, or lies in one."""
    above = path.split("/")[:-1]
    return any(map(is_companion_folder, above)) or is_companion(folder / path)
