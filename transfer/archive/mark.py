"""The archive's mark: the file that makes a folder an archive, with the id that its word is known by."""

from __future__ import annotations

import json
import tomllib
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime

MARK_NAME = "nightferry-archive.toml"
MARK_AT_MOST_BYTES = 64 << 10


@dataclass(frozen=True, slots=True)
class ArchiveMark:
    """What makes a folder an archive: `id` (a UUID), a name for people, when it was begun (aware)."""

    id: str
    name: str
    begun: datetime


def new_mark(name: str, now: datetime) -> ArchiveMark:
    """Make the mark of an archive begun now, under an id of its own."""
    return ArchiveMark(str(uuid.uuid4()), name, now)


def mark_text(mark: ArchiveMark) -> str:
    """Give the mark as the text of its file."""
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
    """Make a mark of its file's content; None where that is not one."""
    try:
        table = tomllib.loads(content.decode("utf-8"))
        begun = table["begun"]
        moment = begun if isinstance(begun, datetime) else datetime.fromisoformat(begun)
        aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        return ArchiveMark(str(uuid.UUID(table["id"])), str(table["name"]), aware)
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
