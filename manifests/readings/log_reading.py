"""One log read by its description: delimited text, JSON, or lines by a regular expression."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import BinaryIO, TypeVar

from manifests.readings.description import FILE_NAME, BadDescription, Form, LogDescription
from manifests.readings.expressions import LIMIT_S, Expression, TooSlow
from manifests.readings.json_paths import Found, JsonPath, Place, closed_before_the_cut, texts_in
from manifests.readings.moments import Moments, zone_named
from manifests.readings.tables import NoHeader, table_rows
from manifests.readings.taking import LogAccount, Sink, Taking
from manifests.readings.text import LONGEST_LINE, Line, NotText, log_lines, text_of
from manifests.readings.time_formats import TimeFormat
from manifests.readings.units import unit_named

LARGEST_JSON_BYTES = 16 << 20
_TOO_LONG = f"longer than {LONGEST_LINE} characters"

_EXPECTED = {
    "unit": "a unit that astropy knows, such as deg_C, %, hPa or V",
    "zone": "UTC, or a name such as Europe/London",
    "time_format": "a time format such as %Y-%m-%d %H:%M:%S",
    "events": "regular expressions",
    "line": "a regular expression",
    "at": "a path such as a.b[0].c",
}

Made = TypeVar("Made")


class LogReader:
    """Reads logs of one description; `units` are astropy's names of its readings' units.

    Raises BadDescription where it cannot be meant as it is written.
    """

    def __init__(self, description: LogDescription) -> None:
        self.description = description
        self.units = tuple(_checked("unit", unit_named, each.unit) for each in description.readings)
        _checked("zone", zone_named, description.zone)
        if description.time_format:
            _checked("time_format", TimeFormat, description.time_format)
        for each in description.events:
            _checked(f'events."{each.event}"', Expression, each.pattern)
        self._ways = {Form.LINES: _lines, Form.TABLE: _table, Form.JSON: _json}
        if description.form is Form.LINES:
            _check_groups(description)
        elif description.form is Form.JSON:
            for at in _places(description):
                _checked("at", JsonPath, str(at))

    def read(self, file: BinaryIO, name: str, night: date, longitude_deg: float, sink: Sink) -> LogAccount:
        """Read one log from its start; what can be read is read, the rest is counted and named.

        `name` is the file's name, which may have the time; `night` completes times without a date. The time
        for a line, and the memory for a file, are bounded. Raises OSError where the medium does.
        """
        description = self.description
        moments = Moments(description.time_format, description.zone, night, longitude_deg)
        # Made anew for each file: an expression that was too slow on one log may be in order on the next.
        events = [Expression(each.pattern) for each in description.events]
        taking = Taking(moments, events, sink)
        if description.time == FILE_NAME:
            taking.fixed_us = moments.within(name)
            if taking.fixed_us is None:
                taking.account.problems.append("its name has no time that fits the format")
                return taking.account
        try:
            self._ways[description.form](description, file, taking)
        except (NotText, NoHeader) as error:
            taking.account.problems.append(str(error))
        for given_up in (one for one in events if one.given_up):
            taking.account.problems.append(f"too slow, given up: {given_up.pattern}")
        return taking.account


def _checked(key: str, make: Callable[[str], Made], written: str) -> Made:
    try:
        return make(written)
    except ValueError as error:
        raise BadDescription(key, repr(written), f"{_EXPECTED[key.partition('.')[0]]} ({error})") from error


def _check_groups(description: LogDescription) -> None:
    groups = _checked("line", Expression, description.line).groups
    for name in _places(description):
        if name not in groups:
            there = ", ".join(groups) or "none"
            raise BadDescription("line", repr(description.line), f"a group named {name!r}; it has {there}")


def _places(description: LogDescription) -> tuple[str | int, ...]:
    """Return what is asked of each line: the time first, unless the file's name has it."""
    time = () if description.time == FILE_NAME else (description.time,)
    return (*time, *(each.at for each in description.readings))


def _lines(description: LogDescription, file: BinaryIO, taking: Taking) -> None:
    expression = Expression(description.line)
    account = taking.account
    places = [str(at) for at in _places(description)]
    for line in log_lines(file):
        account.lines += 1
        if line.text is None:
            account.miss(line.number, "", _TOO_LONG)
            continue
        if not line.text.strip():
            continue
        try:
            found = expression.search(line.text)
        except TooSlow:
            if expression.given_up:
                account.problems.append(f"too slow, given up at line {line.number}: {description.line}")
                return
            account.miss(line.number, line.text, f"the expression took longer than {LIMIT_S} s")
            continue
        if found is None:
            account.miss(line.number, line.text, "the expression does not match it")
            continue
        # The last word of a line that the file's end cuts off may be half of what was meant.
        end = len(line.text) if line.cut else -1
        cells = [None if found.end(place) == end else found.group(place) for place in places]
        _take_row(description, cells, line.text, line.number, taking)


def _table(description: LogDescription, file: BinaryIO, taking: Taking) -> None:
    account = taking.account

    def counted() -> Iterator[Line]:
        for line in log_lines(file):
            account.lines += 1
            if line.text is None:
                account.miss(line.number, "", _TOO_LONG)
            yield line

    for row in table_rows(counted(), _places(description)):
        _take_row(description, row.cells, row.text, row.number, taking)


def _take_row(
    description: LogDescription, cells: Sequence[str | None], text: str, line: int, taking: Taking
) -> None:
    named = description.time == FILE_NAME
    moment_us = taking.moment(None if named else cells[0], line)
    if moment_us is None:
        written = cells[0]
        why = "it has no time" if written is None else f"{written!r} is no time of the format"
        taking.account.miss(line, text, why)
        return
    for quantity, written in enumerate(cells if named else cells[1:]):
        if written is not None:
            taking.value(moment_us, quantity, written)
    taking.events_in(moment_us, text, line)


def _json(description: LogDescription, file: BinaryIO, taking: Taking) -> None:
    """Read a whole document, or else a record a line. What a cut document has before the cut is read."""
    content = file.read(LARGEST_JSON_BYTES + 1)
    whole = len(content) <= LARGEST_JSON_BYTES
    text = text_of(content) if whole else ""
    document, problem = _document(text)
    paths = _Paths(description)
    if not problem:
        taking.account.lines += 1
        _take_document(paths, document, 1, taking)
        return
    file.seek(0)
    if _json_lines(paths, file, taking):
        return
    too_large = f"larger than {LARGEST_JSON_BYTES >> 20} MiB, and not a record a line"
    taking.account.problems.append(problem if whole else too_large)
    rest, problem = _document(closed_before_the_cut(text))
    if not problem:
        taking.account.lines += 1
        _take_document(paths, rest, 1, taking)


def _document(text: str) -> tuple[object, str]:
    """Return a JSON document's content, and what is wrong with it, or nothing."""
    try:
        return json.loads(text), ""
    except RecursionError:
        return None, "it is nested too deep"
    except ValueError as error:
        return None, f"it is not whole JSON ({error})"


def _json_lines(paths: _Paths, file: BinaryIO, taking: Taking) -> bool:
    """Read a record a line, and return whether there are any; lines before the first are not counted then."""
    account = taking.account
    any_record = False
    for line in log_lines(file):
        if line.text is not None and not line.text.strip():
            continue
        record, _ = _document(line.text or "")
        if not isinstance(record, dict | list):
            if not any_record and line.number > 1:
                return False
            account.miss(line.number, line.text or "", "not a JSON record")
            continue
        any_record = True
        account.lines += 1
        _take_document(paths, record, line.number, taking)
    return any_record


class _Paths:
    """The paths of a description, read once for all the records of a log; no `time` where the name has it."""

    def __init__(self, description: LogDescription) -> None:
        self.time = None if description.time == FILE_NAME else JsonPath(str(description.time))
        self.readings = [JsonPath(str(each.at)) for each in description.readings]
        self.has_events = bool(description.events)
        self.description = description


def _take_document(paths: _Paths, document: object, line: int, taking: Taking) -> None:
    times = [Found((), None)] if paths.time is None else list(paths.time.values(document))
    moments: dict[Place, int | None] = {}
    for place, written in times:
        moment_us = moments.setdefault(place, taking.moment(written, line))
        if moment_us is None:
            taking.account.miss(line, repr(written), "it is no time of the format")
    if not moments:
        taking.account.miss(line, "", f"there is nothing at {paths.description.time}")
        return
    for quantity, path in enumerate(paths.readings):
        for place, value in path.values(document):
            if (at_us := _moment_for(place, moments)) is not None:
                taking.value(at_us, quantity, value)
    if paths.has_events:
        for place, value in texts_in(document):
            if (at_us := _moment_for(place, moments)) is not None:
                taking.events_in(at_us, str(value), line)


def _moment_for(place: Place, moments: Mapping[Place, int | None]) -> int | None:
    """Return the moment that stands in the same list elements, or in as many of the outer ones as can be."""
    for depth in range(len(place), -1, -1):
        if place[:depth] in moments:
            return moments[place[:depth]]
    # A time that stands deeper than the value: the first of them.
    return next(iter(moments.values()), None)
