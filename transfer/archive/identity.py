"""What an archive is called, and what it is known by elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from transfer.archive.mark import MARK_AT_MOST_BYTES, MARK_NAME, parse_mark


class Identity(NamedTuple):
    """An archive's name for people, and its id; without a mark the folder's name, and no id."""

    name: str
    id: str


def identity_of(root: Path) -> Identity:
    """Give the identity of the archive in a folder; a mark that can't be read counts as none."""
    try:
        with (root / MARK_NAME).open("rb") as file:
            mark = parse_mark(file.read(MARK_AT_MOST_BYTES))
    except OSError:
        mark = None
    return Identity(root.resolve().name or "archive", "") if mark is None else Identity(mark.name, mark.id)
