"""A time format, as C and Python spell it, compiled to what finds its parts in a text.

Python's own `strptime` knows month names in the computer's language only, no more than six digits of a
second, and nothing before or after the time; the logs are read on another computer than wrote them.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from typing import NamedTuple

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_NAME = r"(?P<{}>(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{{0,6}}\.?)"
_SECONDS = r"(?P<second>[0-9]{1,2})(?:[.,](?P<fraction>[0-9]{1,12}))?"

_DIRECTIVES = {
    "Y": r"(?P<year>[0-9]{4})",
    "y": r"(?P<short_year>[0-9]{2})",
    "m": r"(?P<month>[0-9]{1,2})",
    "d": r"(?P<day>[0-9]{1,2})",
    "e": r" ?(?P<day>[0-9]{1,2})",
    "j": r"(?P<day_of_year>[0-9]{1,3})",
    "b": _MONTH_NAME.format("month_name"),
    "B": _MONTH_NAME.format("month_name"),
    "h": _MONTH_NAME.format("month_name"),
    "a": r"[^\W\d_]{2,12}\.?",
    "A": r"[^\W\d_]{2,12}\.?",
    "H": r"(?P<hour>[0-9]{1,2})",
    "I": r"(?P<half_day_hour>[0-9]{1,2})",
    "p": r"(?P<half>[ap])\.?m\.?",
    "M": r"(?P<minute>[0-9]{1,2})",
    "S": _SECONDS,
    "f": r"(?P<fraction>[0-9]{1,12})",
    "z": r"(?P<offset>Z|[+\-−][0-9]{2}:?[0-9]{2})",
    "s": r"(?P<epoch>[0-9]{1,11})(?:[.,](?P<fraction>[0-9]{1,12}))?",
    "F": r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})",
    "T": rf"(?P<hour>[0-9]{{2}}):(?P<minute>[0-9]{{2}}):{_SECONDS}",
    "%": "%",
}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TOKEN = re.compile(r"%(.)|(\s+)|([^%\s]+)", re.DOTALL)
_GROUP_NAME = re.compile(r"\(\?P<(\w+)>")


class Parts(NamedTuple):
    """A time as it was written: what is not written of its date is None."""

    year: int | None
    month: int | None
    day: int | None
    hour: int
    minute: int
    second: int
    microsecond: int
    offset: timedelta | None

    def at(self, year: int, month: int, day: int) -> datetime:
        """Return the time on a date, aware where an offset is written. Raises ValueError, OverflowError."""
        zone = None if self.offset is None else timezone(self.offset)
        # A leap second is the first moment of the next minute: no clock of Python's has a second 60.
        leap = self.second == 60
        moment = datetime(
            year, month, day, self.hour, self.minute, 59 if leap else self.second, self.microsecond, zone
        )
        return moment + timedelta(seconds=1) if leap else moment


class TimeFormat:
    """One time format; raises ValueError, saying why, where it cannot be one.

    Directives: %Y %y %m %d %e %j %b %B %a %A %H %I %p %M %S %f %z %s (seconds since 1970) %F %T %%. Fractions
    of a second behind %S are always taken. Month names are English.
    """

    def __init__(self, written: str) -> None:
        self._regex = re.compile(_regex_of(written), re.IGNORECASE)
        names = set(self._regex.groupindex)
        if not names & {"hour", "half_day_hour", "epoch"}:
            raise ValueError("no hour: it needs %H, %I with %p, %T or %s")
        if "half_day_hour" in names and "half" not in names:
            raise ValueError("%I without %p: is it morning or evening?")
        has_month = bool(names & {"month", "month_name"})
        if has_month != ("day" in names):
            raise ValueError("a month and a day belong together")
        self.names = names

    def parts(self, text: str) -> Parts | None:
        """Return the time that a whole text says, or None."""
        found = self._regex.fullmatch(text)
        return None if found is None else _parts(found)

    def parts_within(self, text: str) -> Parts | None:
        """Return the time that stands somewhere in a text, such as a file's name, or None."""
        found = self._regex.search(text)
        return None if found is None else _parts(found)


def _regex_of(written: str) -> str:
    pieces = []
    for directive, space, literal in _TOKEN.findall(written):
        if directive and directive not in _DIRECTIVES:
            known = " ".join(f"%{name}" for name in _DIRECTIVES)
            raise ValueError(f"%{directive} is none of {known}")
        pieces.append(_DIRECTIVES[directive] if directive else r"\s+" if space else re.escape(literal))
    regex = "".join(pieces)
    # "%S.%f" and "%S,%f": the fraction is part of %S here.
    regex = re.sub(
        re.escape(_SECONDS) + r"(?:\\\.|,)" + re.escape(_DIRECTIVES["f"]), lambda _: _SECONDS, regex
    )
    names = _GROUP_NAME.findall(regex)
    twice = next((name for name in names if names.count(name) > 1), "")
    if twice:
        raise ValueError(f"the {twice.replace('_', ' ')} stands in it twice")
    if written.endswith("%") and not written.endswith("%%"):
        raise ValueError("it ends in a lone %")
    return regex


def _parts(found: re.Match[str]) -> Parts | None:
    said = found.groupdict()
    try:
        if said.get("epoch"):
            return _epoch_parts(said)
        year, month, day = _date(said)
        return Parts(
            year,
            month,
            day,
            _hour(said),
            int(said.get("minute") or 0),
            int(said.get("second") or 0),
            _microsecond(said),
            _offset(said),
        )
    except (ValueError, OverflowError):
        return None


def _date(said: dict[str, str | None]) -> tuple[int | None, int | None, int | None]:
    year = int(said["year"] or 0) if said.get("year") else None
    if short := said.get("short_year"):
        # POSIX strptime: 69 to 99 are of the last century.
        year = int(short) + (1900 if int(short) >= 69 else 2000)
    if (ordinal := said.get("day_of_year")) and year is not None:
        date = datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=int(ordinal) - 1)
        return date.year, date.month, date.day
    month = said.get("month")
    name = said.get("month_name")
    number = _MONTHS.index(name[:3].lower()) + 1 if name else int(month) if month else None
    day = said.get("day")
    return year, number, int(day) if day else None


def _hour(said: dict[str, str | None]) -> int:
    half_day_hour = said.get("half_day_hour")
    if half_day_hour is None:
        return int(said.get("hour") or 0)
    hour = int(half_day_hour)
    if not 1 <= hour <= 12:
        raise ValueError(half_day_hour)
    return hour % 12 + (12 if (said.get("half") or "").lower() == "p" else 0)


def _microsecond(said: dict[str, str | None]) -> int:
    fraction = said.get("fraction")
    return int(fraction[:6].ljust(6, "0")) if fraction else 0


def _offset(said: dict[str, str | None]) -> timedelta | None:
    written = said.get("offset")
    if not written:
        return None
    if written in "Zz":
        return timedelta(0)
    digits = written[1:].replace(":", "")
    ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return ahead if written[0] == "+" else -ahead


def _epoch_parts(said: dict[str, str | None]) -> Parts:
    # Not by fromtimestamp(), which takes the years that the system's C library knows.
    moment = _EPOCH + timedelta(seconds=int(said["epoch"] or 0))
    date = (moment.year, moment.month, moment.day)
    clock = (moment.hour, moment.minute, moment.second)
    return Parts(*date, *clock, _microsecond(said), timedelta(0))
