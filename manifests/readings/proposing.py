"""A description proposed for a log by looking at it: what looks like times, numbers and units in it.

Everything here is a guess, to be read by the person: it is printed, and never put into use by itself.
"""

from __future__ import annotations

import io
import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice

from manifests.readings.description import Form, LogDescription, ReadingAt
from manifests.readings.log_reading import LogReader
from manifests.readings.moments import Moments
from manifests.readings.numbers import number_in
from manifests.readings.tables import DELIMITERS, cells_of
from manifests.readings.taking import LogAccount
from manifests.readings.text import NotText, log_lines, text_of
from manifests.readings.units import unit_named, unit_shown

LOOKED_AT_BYTES = 1 << 20
_LINES = 200
_MOST_READINGS = 40
# Of what is looked at, so much has to be a time, or a number.
_MOSTLY = 0.8

# ISO 8601 first; day before month, as more of the world writes it.
_FORMATS = (
    "",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %I:%M:%S %p",
    "%Y/%m/%d %H:%M:%S",
    "%Y-%m-%d %H-%M-%S",
    "%d %b %Y %H:%M:%S",
    "%b %d %H:%M:%S",
    "%d %b %H:%M:%S",
    "%a %b %e %H:%M:%S %Y",
    "%s",
)
_LIKE_TIME = re.compile(r"time|date|utc|when|stamp|began|begun|start", re.IGNORECASE)
# Where a line may begin with a time: up to four words, with brackets round them or not.
_FIRST_WORDS = tuple(
    (re.compile(rf"^\s*([^\w\s]?)((?:\S+ ){{{count}}}\S+?)([^\w\s]?)(?=\s|$)"), count) for count in range(4)
)
_UNIT_AT_END = re.compile(r"[\s_(\[]+([^\s_()\[\]]+)[)\]]?$")
# What stands at the end of a name, and the unit that it means there.
_ENDINGS = {
    **{unit: unit for unit in ("°C", "°F", "%", "hPa", "V", "A", "W", "mA", "mV", "K", "°", "arcsec", "px")},
    "m/s": "m/s",
    "km/h": "km/h",
    "c": "deg_C",
    "C": "deg_C",
    "degc": "deg_C",
    "celsius": "deg_C",
    "F": "deg_F",
    "fahrenheit": "deg_F",
    "percent": "%",
    "pct": "%",
    "volts": "V",
    "amps": "A",
    "hpa": "hPa",
    "mbar": "mbar",
    "deg": "deg",
}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A description, what it gave on the file, and an example of each reading's value."""

    description: LogDescription
    account: LogAccount
    examples: tuple[str, ...]
    time_example: str


class _Nobody:
    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        """Take nothing."""

    def event(self, moment_us: int, event: int, text: str, line: int) -> None:
        """Take nothing."""


def propose(content: bytes, name: str, night: date) -> Proposal | None:
    """Return a description for a log of this content, or None where nothing in it looks like a time.

    `content` is the file's beginning; `night` completes times without a date.
    """
    try:
        text = text_of(content)
        first = islice(log_lines(io.BytesIO(content)), _LINES)
        lines = [line.text for line in first if line.text]
    except NotText:
        return None
    for attempt in (_json(text, lines, name, night), _table(lines, name, night), _lines(lines, name, night)):
        if attempt is not None:
            description, examples, time_example = attempt
            account = LogReader(description).read(io.BytesIO(content), name, night, 0.0, _Nobody())
            if account.taken:
                return Proposal(description, account, tuple(examples), time_example)
    return None


Attempt = tuple[LogDescription, list[str], str]


def _pattern(name: str) -> str:
    """Return a glob for files like this one: its digits are the night's, or a number."""
    whole = re.sub(r"[0-9]+(?:[-_.:][0-9]+)*", "*", name)
    return f"**/{whole}" if whole.strip("*.") else "**/*"


def _time_format(values: Sequence[object], night: date) -> str | None:
    """Return the first format that most of the values fit; None where none does."""
    there = [value for value in values if value not in (None, "")]
    for time_format in _FORMATS if there else ():
        if time_format == "%s" and not all(_is_epoch(value) for value in there):
            continue
        moments = Moments(time_format, "UTC", night, 0.0)
        if sum(moments.of(value) is not None for value in there) >= _MOSTLY * len(there):
            return time_format
    return None


def _is_epoch(value: object) -> bool:
    number = number_in(value)
    return number is not None and 946_684_800 <= number < 4_102_444_800  # from 2000 to 2100


def _named(column: str) -> tuple[str, str]:
    """Return a quantity's name and unit as a column's name seems to say them."""
    found = _UNIT_AT_END.search(column)
    ending = found[1] if found else ""
    if found is None or ending not in _ENDINGS:
        return column.replace("_", " ").strip(), ""
    name = column[: found.start()].replace("_", " ").strip()
    return name or column, unit_named(_ENDINGS[ending])


def _zone(name: str, example: str) -> str:
    return "UTC" if "utc" in name.casefold() or example.endswith("Z") else ""


# Tables


def _table(lines: Sequence[str], name: str, night: date) -> Attempt | None:
    for delimiter in DELIMITERS:
        rows = [cells_of(line, delimiter) for line in lines]
        wide = max((len(row) for row in rows), default=0)
        body = [row for row in rows if len(row) == wide]
        if wide < 2 or len(body) < _MOSTLY * len(rows) or len(body) < 2:
            continue
        header = [cell.strip().lstrip("#").strip() for cell in body[0]]
        if any(number_in(cell) is not None for cell in header) or len(set(header)) < len(header):
            continue
        attempt = _columns(header, body[1:], name, night)
        if attempt is not None:
            return attempt
    return None


def _columns(header: list[str], body: list[list[str]], name: str, night: date) -> Attempt | None:
    columns = {title: [row[place].strip() for row in body] for place, title in enumerate(header) if title}
    times = {
        title: found for title, cells in columns.items() if (found := _time_format(cells, night)) is not None
    }
    if not times:
        return None
    time = min(times, key=lambda title: (not _LIKE_TIME.search(title), header.index(title)))
    readings, examples = [], []
    for title, cells in columns.items():
        numbers = [cell for cell in cells if number_in(cell) is not None]
        if title not in times and len(numbers) >= _MOSTLY * len(cells):
            quantity, unit = _named(title)
            readings.append(ReadingAt(quantity, title, unit))
            examples.append(numbers[0])
    example = columns[time][0]
    zone = _zone(time, example)
    return (
        LogDescription(_pattern(name), Form.TABLE, time, "", times[time], zone, _distinct(readings)),
        examples,
        example,
    )


def _distinct(readings: Sequence[ReadingAt]) -> tuple[ReadingAt, ...]:
    """Return readings no two of which have one name."""
    seen: dict[str, int] = {}
    kept = []
    for one in readings[:_MOST_READINGS]:
        seen[one.quantity] = seen.get(one.quantity, 0) + 1
        number = seen[one.quantity]
        other = f"{one.quantity} in {unit_shown(one.unit)}" if one.unit else f"{one.quantity} {number}"
        kept.append(one if number == 1 else ReadingAt(other, one.at, one.unit))
    return tuple(kept)


# JSON


def _json(text: str, lines: Sequence[str], name: str, night: date) -> Attempt | None:
    document = _document(text)
    if document is None and lines:
        document = _document(lines[0])
    if not isinstance(document, dict | list):
        return None
    leaves = list(_leaves(document, ""))[:1000]
    times = [
        (path, value, found) for path, value in leaves if (found := _time_format([value], night)) is not None
    ]
    if not times:
        return None
    path, example, time_format = min(times, key=_least_like_a_time)
    numbers = [(at, value) for at, value in leaves if at != path and _is_number(value)]
    readings = [ReadingAt(*_at_path(at)) for at, _ in numbers]
    description = LogDescription(
        _pattern(name), Form.JSON, path, "", time_format, _zone(path, str(example)), _distinct(readings)
    )
    return description, [str(value) for _, value in numbers], str(example)


def _least_like_a_time(found: tuple[str, object, str]) -> tuple[bool, bool, int]:
    path, _, time_format = found
    return not _LIKE_TIME.search(path), time_format == "%s", path.count(".")


def _is_number(value: object) -> bool:
    return not isinstance(value, str) and number_in(value) is not None


def _at_path(path: str) -> tuple[str, str, str]:
    """Return a quantity's name, its path and its unit, by the path."""
    name, unit = _named(path.replace("[]", "").replace(".", "_"))
    return name, path, unit


def _document(text: str) -> object:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _leaves(value: object, path: str, depth: int = 0) -> Iterator[tuple[str, object]]:
    """Return each value with its path; of a list, its first element stands for all."""
    if depth > 20:
        return
    if isinstance(value, dict):
        for key, inner in value.items():
            plain = key if re.fullmatch(r'[^.\[\]"]+', key) else f'"{key}"'
            yield from _leaves(inner, f"{path}.{plain}" if path else plain, depth + 1)
    elif isinstance(value, list):
        if value:
            yield from _leaves(value[0], f"{path}[]", depth + 1)
    else:
        yield path, value


# Lines


def _lines(lines: Sequence[str], name: str, night: date) -> Attempt | None:
    for expression, count in _FIRST_WORDS:
        found = [match for line in lines if (match := expression.match(line)) is not None]
        time_format = _time_format([match[2] for match in found], night)
        if time_format is None or time_format == "%s":
            continue
        (before, after), _ = Counter((match[1], match[3]) for match in found).most_common(1)[0]
        words = r"\S+ " * count + r"\S+?"
        line = rf"^\s*{re.escape(before)}(?P<time>{words}){re.escape(after)}(?:\s+|$)(?P<text>.*)$"
        moments = Moments(time_format, "UTC", night, 0.0)
        example = next(match[2] for match in found if moments.of(match[2]) is not None)
        zone = _zone("", example)
        return LogDescription(_pattern(name), Form.LINES, "time", line, time_format, zone), [], example
    return None
