"""How pages name each other, and show moments, numbers and filters."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

NO_TARGET = "no target"
NO_FILTER = "no filter"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LONGEST_STEM = 40
_NO_LETTERS = re.compile("[^a-z0-9]+")
# The filters that have a colour of their own; all others share some that none of these has.
_LOOKS = {name: f"f-{name.casefold()}" for name in ("L", "R", "G", "B", "Ha", "OIII", "SII", "Hb", "NII")}
_OTHER_LOOKS = 4


def target_page(target: str | None, part: int = 1) -> str:
    """Return the name of a target's page: letters that every system takes, and its own whatever its case."""
    name = NO_TARGET if target is None else target
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = _NO_LETTERS.sub("-", plain)[:_LONGEST_STEM].strip("-") or "target"
    own = hashlib.sha256(repr(target).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"targets/{stem}-{own}{_part(part)}.html"


def night_page(night: date, part: int = 1) -> str:
    """Return the name of a night's page."""
    return f"nights/{night.isoformat()}{_part(part)}.html"


def _part(part: int) -> str:
    return "" if part == 1 else f"-part-{part}"


def archive_url(root: Path, folder: Path, *, inside: bool) -> str:
    """Return how a page one folder below `folder` refers to the archive, with a slash at its end.

    A page that lies `inside` the archive moves with it; elsewhere it names the archive's place on this
    computer.
    """
    if inside:
        below = os.path.relpath(root, folder).replace(os.sep, "/")
        return f"../{quote(below)}/"
    return f"{root.as_uri()}/"


def file_url(path: str) -> str:
    """Return a path with `/` as a link has it."""
    return quote(path, safe="/", errors="surrogateescape")


def look_of(name: str | None) -> str:
    """Return the class that gives a filter its colour."""
    if name is None:
        return "f-none"
    return _LOOKS.get(name) or f"f-other{hashlib.sha256(name.encode()).digest()[0] % _OTHER_LOOKS}"


def clock(moment_us: int, *, seconds: bool = False) -> str:
    """Return a moment's time of day, UTC."""
    return f"{_EPOCH + timedelta(microseconds=moment_us):{'%H:%M:%S' if seconds else '%H:%M'}}"


def number(value: float | None, digits: int = 3) -> str:
    """Return a number with so many digits that count, or nothing where it is not known."""
    if value is None:
        return ""
    return f"{value:,.0f}" if abs(value) >= 10 ** (digits - 1) else f"{value:.{digits}g}"


def in_order(name: str | None) -> tuple[bool, list[str | int], str]:
    """Return a key that sorts names by their words, and the numbers in them by size; none comes last."""
    parts = re.split("([0-9]+)", (name or "").casefold())
    return name is None, [int(part) if at % 2 else part for at, part in enumerate(parts)], name or ""
