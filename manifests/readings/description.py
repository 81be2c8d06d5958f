"""A person's description of one kind of log: where its times, readings and events stand."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from enum import StrEnum

FILE_NAME = "file name"
"""What `time` says where a file's name has the time, and no line of it."""


class Form(StrEnum):
    """How a log is laid out: delimited text, JSON, or lines read by a regular expression."""

    TABLE = "table"
    JSON = "json"
    LINES = "lines"


class BadDescription(ValueError):
    """A description that cannot be meant as it is written.

    `key` is the key of the description, `written` what it holds, `expected` what it should hold.
    """

    def __init__(self, key: str, written: str, expected: str) -> None:
        super().__init__(f"{key} = {written}: expected {expected}")
        self.key = key
        self.written = written
        self.expected = expected


@dataclass(frozen=True, slots=True)
class ReadingAt:
    """A quantity, where a log has it (column, path or group; columns count from 1), and in which unit.

    The unit is astropy's name of it or a common sign (°C, %); empty for a bare number.
    """

    quantity: str
    at: str | int
    unit: str = ""


@dataclass(frozen=True, slots=True)
class EventPattern:
    """An event, and the regular expression that finds it in a line, a row or a text of a JSON file."""

    event: str
    pattern: str


@dataclass(frozen=True, slots=True)
class LogDescription:
    """One kind of log, as a person describes it.

    `files` is a glob below the source's folder. `line` is the regular expression of a line, for lines only.
    `time` is a column, a path or a group, or FILE_NAME. An empty `time_format` means ISO 8601, an empty
    `zone` the computer's own.
    """

    files: str
    form: Form
    time: str | int
    line: str = ""
    time_format: str = ""
    zone: str = ""
    readings: tuple[ReadingAt, ...] = ()
    events: tuple[EventPattern, ...] = ()

    def digest(self) -> str:
        """Return a SHA-256 that changes when anything in the description changes."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()
