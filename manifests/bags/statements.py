"""What a person says about a bag's files, kept in the bag: append-only tag files, a line for each statement.

Verdicts, corrections and the like are no facts of a file and no entry of a list: they come later, from a
person, and none may be lost. Each kind has a file of its own (`nightferry/said-<kind>.jsonl`), listed in the
bag's tag manifest, so that other people's tools prove it with the rest. A line is never changed or taken
out: a later one says what holds now.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from manifests.bags.containment import open_ordinary, real_file
from manifests.bags.declared import Faults, Malformed
from manifests.bags.list_sizes import Allowance, bounded_lines, files_in
from manifests.bags.paths import said_in
from manifests.bags.tag_lines import what_is_wrong
from manifests.frames.usable import why_unusable

KIND = re.compile(r"[a-z]{1,40}")
LONGEST_STATEMENT = 1 << 16  # bytes
MOST_STATEMENTS = 100_000


@dataclass(frozen=True, slots=True)
class Statement:
    """One thing that a person said: its kind ("verdict"), when (aware), and what, as JSON has it."""

    kind: str
    said_utc: datetime
    facts: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Statements:
    """The statements of one kind in the order of their lines, and the lines that are none."""

    statements: tuple[Statement, ...] = ()
    malformed: tuple[Malformed, ...] = ()


def statement_line(statement: Statement) -> bytes:
    """Return a statement as a line of its file. Raises ValueError for one that no reader would take."""
    if KIND.fullmatch(statement.kind) is None:
        raise ValueError(f"not a kind of statement: {statement.kind!r}")
    said = statement.said_utc.astimezone(UTC).isoformat(timespec="milliseconds")
    line = json.dumps({"said_utc": said, **statement.facts}, ensure_ascii=True, allow_nan=False)
    if len(line) >= LONGEST_STATEMENT:
        raise ValueError(f"a statement has no more than {LONGEST_STATEMENT} bytes")
    return line.encode("ascii") + b"\n"


def with_statement(content: bytes, statement: Statement) -> bytes:
    """Return a file's content with one more statement; a last line that was cut off is ended first."""
    ended = content if not content or content.endswith(b"\n") else content + b"\n"
    return ended + statement_line(statement)


def read_statements(folder: Path, kind: str) -> Statements:
    """Read what a bag says of one kind; nothing where it says nothing. Raises OSError."""
    path = said_in(kind)
    try:
        with io.BufferedReader(open_ordinary(real_file(folder, path))) as file:
            return statements_of(bounded_lines(file, Allowance(lambda: files_in(folder))), kind)
    except FileNotFoundError:
        return Statements()


def statements_of(lines: Iterable[bytes], kind: str) -> Statements:
    """Read the lines of one kind's file; a line that is no statement is named, and the others are read."""
    faults, found = Faults(said_in(kind)), []
    for number, line in enumerate(lines, 1):
        if number > MOST_STATEMENTS:
            faults.add(number, f"nothing is read after {MOST_STATEMENTS} lines")
            break
        try:
            found.append(_statement(line, kind))
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
            faults.add(number, f"no statement ({what_is_wrong(error)})")
    return Statements(tuple(found), faults.all())


def _statement(line: bytes, kind: str) -> Statement:
    if not line.endswith(b"\n") or len(line) > LONGEST_STATEMENT:
        raise ValueError("the line has no end, or is too long")
    facts = json.loads(line)
    said_utc = datetime.fromisoformat(facts.pop("said_utc"))
    if said_utc.tzinfo is None:
        raise ValueError("a time without a zone")
    if why_unusable(said_utc):
        raise ValueError("a time at the calendar's edge")
    return Statement(kind, said_utc, facts)
