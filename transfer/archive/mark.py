"""The archive's mark: the file that makes a folder an archive, how it is written first, and what it says."""

from __future__ import annotations

import json
import os
import time
import tomllib
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from manifests.bags.containment import read_small
from transfer.engine.bag.durable import PART_ENDING, remove_if_there
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all

MARK_NAME = "nightferry-archive.toml"
MARK_AT_MOST_BYTES = 64 << 10
_PART = f"{MARK_NAME}{PART_ENDING}"
# Writing a mark takes a moment: a part that stays longer was left by a run that died.
_PATIENCE_S = 10.0
_LOOK_S = 0.05


@dataclass(frozen=True, slots=True)
class ArchiveMark:
    """What makes a folder an archive: `id` (a UUID), a name for people, when it was begun (aware)."""

    id: str
    name: str
    begun: datetime


class ArchiveIdentity(NamedTuple):
    """An archive's name for people, and its id; without a mark the folder's name, and no id."""

    name: str
    id: str


def new_mark(name: str, now: datetime) -> ArchiveMark:
    """Return the mark of an archive begun now, under an id of its own."""
    return ArchiveMark(str(uuid.uuid4()), name, now)


def mark_text(mark: ArchiveMark) -> str:
    """Return the mark as the text of its file."""
    return "\n".join(
        (
            "# This folder is an archive of nightferry. Drives carry its id home: leave this file here.",
            # TOML's basic strings take every escape that JSON writes.
            f"id = {json.dumps(mark.id)}",
            f"name = {json.dumps(mark.name)}",
            f"begun = {mark.begun.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
            "",
        )
    )


def parse_mark(content: bytes) -> ArchiveMark | None:
    """Return the mark that a file's content is; None where it is not one."""
    try:
        table = tomllib.loads(content.decode("utf-8"))
        begun = table["begun"]
        moment = begun if isinstance(begun, datetime) else datetime.fromisoformat(begun)
        aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        return ArchiveMark(str(uuid.UUID(table["id"])), str(table["name"]), aware.astimezone(UTC))
    # A disk that others write to may hold anything here; TOML can be nested deeper than can be read.
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None


def identity_of(root: Path) -> ArchiveIdentity:
    """Return the identity of the archive in a folder; a mark that cannot be read counts as none."""
    try:
        mark = parse_mark(read_small(root / MARK_NAME, MARK_AT_MOST_BYTES))
    except OSError:
        mark = None
    return (
        ArchiveIdentity(root.resolve().name or "archive", "")
        if mark is None
        else ArchiveIdentity(mark.name, mark.id)
    )


def write_first_mark(folder: PinnedFolder, content: bytes) -> None:
    """Write a mark where there is none, or wait for the one that another run is writing. Raises OSError."""
    until = time.monotonic() + _PATIENCE_S
    while folder.stat(MARK_NAME) is None:
        try:
            # Only one run can create this file: that run begins the archive.
            descriptor = folder.create_file(_PART)
        except FileExistsError:
            if time.monotonic() > until:
                remove_if_there(folder, _PART)
            time.sleep(_LOOK_S)
            continue
        _write(folder, descriptor, content)


def _write(folder: PinnedFolder, descriptor: int, content: bytes) -> None:
    try:
        try:
            write_all(descriptor, content)
            folder.flush_files([descriptor])
        finally:
            os.close(descriptor)
    except OSError:
        folder.remove(_PART)
        raise
    if folder.stat(MARK_NAME) is None:
        folder.replace(_PART, MARK_NAME)
    else:
        folder.remove(_PART)
    folder.flush_folders([""])
