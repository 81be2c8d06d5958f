"""One value of the file to one setting, or what was expected of it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from manifests.readings.description import EventPattern, Form, LogDescription, ReadingAt
from transfer.config.folders import FolderError, folder_as_written
from transfer.config.patterns import PatternError, Patterns
from transfer.config.settings import SourceKind


class Unfit(ValueError):
    """A value that is not what its key holds; `expected` is."""

    def __init__(self, expected: str) -> None:
        super().__init__(expected)
        self.expected = expected


class FileSurroundings(NamedTuple):
    """What a value is read against: the folder of its file, and the environment."""

    folder: Path
    environ: Mapping[str, str]


def text(value: object, _around: FileSurroundings) -> str:
    """Read a name for people: some text, in one line."""
    if not isinstance(value, str) or not _is_text(value):
        raise Unfit("a name, in quotes")
    return value


# No device has such a name on Windows (they have at most four letters), and every system takes it.
_PLAIN_NAME = re.compile(r"[a-z]{5,40}")


def source_name(value: object, around: FileSurroundings) -> str:
    """Read a source's name, which is a folder's name on every drive there may be."""
    name = text(value, around)
    if _PLAIN_NAME.fullmatch(name):
        return name
    from manifests.bags.stored_names import portable_path  # slow to load; most names need no such look

    usable = portable_path(name.replace("/", "_"))
    if usable != name:
        raise Unfit(f'a name that every system takes for a folder, such as "{usable}"')
    return name


def folder(value: object, around: FileSurroundings) -> Path:
    """Read a folder, relative to the file's."""
    if not isinstance(value, str):
        raise Unfit("a folder, in quotes")
    try:
        return folder_as_written(value, around.folder, around.environ)
    except FolderError as error:
        raise Unfit(str(error)) from error


def patterns(value: object, _around: FileSurroundings) -> tuple[str, ...]:
    """Read a list of glob patterns, which may be empty."""
    if not isinstance(value, list) or not all(isinstance(pattern, str) for pattern in value):
        raise Unfit('a list of patterns, such as ["**/*.fits"]')
    for pattern in value:
        try:
            Patterns([pattern])
        except PatternError as error:
            raise Unfit(f'patterns for files below the folder, and "{pattern}" {error}') from error
    return tuple(value)


def pattern(value: object, around: FileSurroundings) -> str:
    """Read one glob pattern."""
    if not isinstance(value, str):
        raise Unfit('a pattern for files below the source\'s folder, such as "**/run *.json"')
    return patterns([value], around)[0]


def some_patterns(value: object, around: FileSurroundings) -> tuple[str, ...]:
    """Read a list of glob patterns that takes something."""
    if value == []:
        raise Unfit("at least one pattern; without the key, every file is taken")
    return patterns(value, around)


def spellings(value: object) -> tuple[str, ...]:
    """Read what else one name is written as: a list, for a bare text could be meant either way round."""
    if not isinstance(value, list) or not all(_is_text(each) for each in value):
        raise Unfit('a list of spellings in brackets, such as ["NGC 457", "owl cluster"]')
    return tuple(value)


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip()) and value.isprintable()


def kind(value: object, _around: FileSurroundings) -> SourceKind:
    """Read what a source holds."""
    if value not in list(SourceKind):
        raise Unfit('"frames" or "logs"')
    return SourceKind(str(value))


def log_form(value: object, _around: FileSurroundings) -> Form:
    """Read how a log is laid out."""
    if value not in list(Form):
        raise Unfit('"table" (delimited text), "json" or "lines"')
    return Form(str(value))


def expression(value: object, _around: FileSurroundings) -> str:
    """Read a regular expression; whether it can be compiled is found out where logs are read."""
    if not isinstance(value, str) or not value:
        raise Unfit("a regular expression, in single quotes")
    return value


def place_in_a_log(value: object, _around: FileSurroundings) -> str | int:
    """Read where something stands in a log: a column's name or number from 1, a path, or a group."""
    whole = isinstance(value, int) and not isinstance(value, bool) and value >= 1
    if not whole and not (isinstance(value, str) and _is_text(value)):
        raise Unfit('a column (name, or number from 1), a path in JSON, a group of the line, or "file name"')
    assert isinstance(value, str | int)
    return value


def readings(value: object, around: FileSurroundings) -> tuple[ReadingAt, ...]:
    """Read what is measured and where a log has it, each with its unit."""
    expected = 'readings such as "air temperature" = { at = "Temp", unit = "deg_C" }'
    if not isinstance(value, dict):
        raise Unfit(expected)
    found = []
    for quantity, given in value.items():
        table = given if isinstance(given, dict) else {}
        if not _is_text(quantity) or not {"at"} <= table.keys() <= {"at", "unit"}:
            raise Unfit(f'{expected}, and "{quantity}" is not')
        unit = table.get("unit", "")
        if not isinstance(unit, str) or not (unit == "" or _is_text(unit)):
            raise Unfit(f'{expected}, and the unit of "{quantity}" is not')
        found.append(ReadingAt(quantity, place_in_a_log(table["at"], around), unit))
    return tuple(found)


def events(value: object, _around: FileSurroundings) -> tuple[EventPattern, ...]:
    """Read what happens, and the regular expression that finds each."""
    expected = "events such as \"connection lost\" = 'lost the connection|not responding'"
    if not isinstance(value, dict):
        raise Unfit(expected)
    for event, pattern_of in value.items():
        if not _is_text(event) or not isinstance(pattern_of, str) or not pattern_of:
            raise Unfit(f'{expected}, and "{event}" is not')
    return tuple(EventPattern(event, pattern_of) for event, pattern_of in value.items())


def unfit_description(described: LogDescription) -> tuple[str, str] | None:
    """Return the key of a log's description that does not go with the others, and what is expected of it."""
    if (described.form is Form.LINES) != bool(described.line):
        wanted = "the regular expression of a line, in single quotes"
        return "line", wanted if described.form is Form.LINES else 'no such key: it belongs to form = "lines"'
    if described.form is not Form.TABLE and not isinstance(described.time, str):
        return "time", 'a name: only a table (form = "table") has numbered columns'
    if not described.readings and not described.events:
        return "readings", "at least one reading or one event to look for"
    return None


def tolerance(value: object, _around: FileSurroundings) -> float:
    """Read how far something may be from what it is compared with."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
        raise Unfit("a number, 0 or more")
    return float(value)


def nights(value: object, _around: FileSurroundings) -> int:
    """Read a number of nights."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise Unfit("a whole number of nights, 0 or more")
    return value


def yes_or_no(value: object, _around: FileSurroundings) -> bool:
    """Read a choice between two."""
    if not isinstance(value, bool):
        raise Unfit("true or false, without quotes")
    return value


def count(value: object, _around: FileSurroundings) -> int:
    """Read a number of files."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise Unfit("a whole number, 0 or more")
    return value


def copies(value: object, _around: FileSurroundings) -> int:
    """Read a number of places: without any, a file that is nowhere else would go."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise Unfit("a whole number of places, 1 or more")
    return value


def latitude_deg(value: object, _around: FileSurroundings) -> float:
    """Read a latitude, in degrees north."""
    return _degrees(value, "north", "south", -90, 90)


def longitude_deg(value: object, _around: FileSurroundings) -> float:
    """Read a longitude, in degrees east, and return it above −180 and up to 180: both are one meridian."""
    degrees = _degrees(value, "east", "west", -180, 360)
    return 180.0 if degrees == -180 else degrees - 360 if degrees > 180 else degrees


def _degrees(value: object, positive: str, negative: str, least: int, most: int) -> float:
    expected = f"degrees as a number from {least} to {most}, {positive} positive and {negative} negative"
    if isinstance(value, str):
        understood = degrees_understood(value)
        fits = understood is not None and least <= understood <= most
        raise Unfit(f"{expected}; write {understood:g}, without quotes" if fits else expected)
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise Unfit(expected)
    return float(value)


def degrees_understood(written: str) -> float | None:
    """Guess what someone means who writes "1.9 W", "1° 54' W" or "-1,9"; None where it can't be told."""
    plain = re.sub(r"(?<=\d),(?=\d)", ".", written.strip().upper())
    words = set(re.findall(r"[A-Z]+", plain))
    numbers = re.findall(r"\d+(?:\.\d+)?", plain, re.ASCII)
    west = bool(words & {"W", "S", "WEST", "SOUTH"})
    known = words <= {"N", "S", "E", "W", "NORTH", "SOUTH", "EAST", "WEST", "DEG", "DEGREES"}
    minus = plain.startswith(("-", "−"))
    if not known or not 1 <= len(numbers) <= 3 or (west and minus):
        return None
    degrees = sum((float(number) / 60.0**place for place, number in enumerate(numbers)), 0.0)
    return round(-degrees if west or minus else degrees, 6)


_DURATION_AT_MOST = 40  # characters: the expression below is slow on endless white space
_DURATION = re.compile(
    r"(?:([\d.]+)\s*d(?:ays?)?)?\s*(?:([\d.]+)\s*h(?:ours?)?)?\s*"
    r"(?:([\d.]+)\s*m(?:in(?:utes?)?)?)?\s*(?:([\d.]+)\s*s(?:ec(?:onds?)?)?)?",
    re.IGNORECASE | re.ASCII,
)


def parse_duration_s(written: str) -> float:
    """Return the seconds in "90s", "1h 30m", "400d"; a unit is never guessed. Raises ValueError."""
    found = _DURATION.fullmatch(written.strip()) if len(written) <= _DURATION_AT_MOST else None
    if found is None:
        raise ValueError(written)
    days, hours, minutes, seconds = (float(part or 0) for part in found.groups())
    total_s = 86400 * days + 3600 * hours + 60 * minutes + seconds
    if not 0 < total_s < math.inf:
        raise ValueError(written)
    return total_s


def duration_s(value: object, _around: FileSurroundings) -> float:
    """Read a length of time. A bare number is refused: 30 could be minutes or seconds."""
    try:
        return parse_duration_s(value if isinstance(value, str) else "")
    except ValueError as error:
        raise Unfit('a time with its unit, in quotes, such as "30m", "1h 30m" or "90s"') from error


def program(value: object, _around: FileSurroundings) -> tuple[str, ...]:
    """Read a program and its words, one of which has the line it is told; no shell reads them."""
    expected = 'a program and its words in a list, such as ["C:/tools/beep.exe", "{line}"]'
    if not isinstance(value, list) or not value or not all(isinstance(word, str) for word in value):
        raise Unfit(expected)
    if not value[0] or "{line}" in value[0] or not any("{line}" in word for word in value[1:]):
        raise Unfit(expected)
    if any("\0" in word for word in value):
        raise Unfit(expected)
    return tuple(value)
