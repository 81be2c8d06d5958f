"""What a log writes for a time to a moment in UTC: zones, missing dates, clocks that are put back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, tzinfo
from datetime import time as time_of_day

from manifests.frames.nights import night_of
from manifests.readings.time_formats import Parts, TimeFormat

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - what a time without a zone is counted from
_MICROSECOND = timedelta(microseconds=1)
_DAY = timedelta(days=1)
LONGEST_TIME = 100  # characters
# A 13th month; the year 0; and on Windows, where the computer's zone is asked, OSError before 1970.
_NO_TIME = (ValueError, OverflowError, OSError)
# Several programs or threads that write one log may put lines a little out of order.
_OUT_OF_ORDER_US = 5 * 60 * 1_000_000
_ISO_LOOKING = re.compile(
    r"([0-9]{4})-?([0-9]{2})-?([0-9]{2})[T _-]{1,3}([0-9]{2})[:h._-]?([0-9]{2})(?:[:m._-]?([0-9]{2}))?(Z?)"
)


def zone_named(name: str) -> tzinfo | None:
    """Return a time zone by its IANA name; UTC is known without any tables, "" is the computer's own: None.

    Raises ValueError where there is no such zone.
    """
    if not name:
        return None
    if name.upper() in ("UTC", "Z", "GMT"):
        return UTC
    import zoneinfo  # looks for the system's tables, which most descriptions do without

    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"there is no time zone {name}") from error


def microseconds_of(moment: datetime) -> int:
    """Return an aware moment as microseconds since 1970, UTC."""
    return (moment - _EPOCH) // _MICROSECOND


def utc(moment_us: int) -> str:
    """Return a moment in microseconds since 1970 as JSON has it: 2026-01-20T21:11:41Z."""
    moment = _EPOCH + moment_us * _MICROSECOND
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def clock(moment_us: int) -> str:
    """Return a moment's time of day, UTC, as screens show it: 21:11."""
    return f"{_EPOCH + moment_us * _MICROSECOND:%H:%M}"


class Moments:
    """The times of one log, in the order in which it writes them.

    `time_format` is empty for ISO 8601. A time without a date is that of the `night` (local mean noon to
    noon at `longitude_deg`), a date without a year the one nearest to the night. Where a clock is put
    back, and an hour comes twice, the second one is taken as soon as the times run backwards.
    """

    def __init__(self, time_format: str, zone: str, night: date, longitude_deg: float) -> None:
        self._format = TimeFormat(time_format) if time_format else None
        self._zone = zone_named(zone)
        self._night = night
        self._longitude_deg = longitude_deg
        self._latest_us: int | None = None
        self._last_written: object = None
        self._last_us: int | None = None

    def of(self, written: object) -> int | None:
        """Return the moment (microseconds since 1970, UTC) that a value says, or None where it says none."""
        if written == self._last_written and type(written) is type(self._last_written):
            return self._last_us
        moment_us = self._of(written)
        self._last_written, self._last_us = written, moment_us
        return moment_us

    def within(self, name: str) -> int | None:
        """Return the moment that stands somewhere in a file's name, or None."""
        if self._format is not None:
            parts = self._format.parts_within(name[-LONGEST_TIME * 3 :])
            try:
                return None if parts is None else self._of_parts(parts)
            except _NO_TIME:
                return None
        for written in _iso_looking(name):
            moment_us = self.of(written)
            if moment_us is not None:
                return moment_us
        return None

    def _of(self, written: object) -> int | None:
        if isinstance(written, int | float) and not isinstance(written, bool):
            # A bare number is a time only where the format says so; JSON writes seconds since 1970 so.
            written = repr(written)
        if not isinstance(written, str) or len(written) > LONGEST_TIME:
            return None
        text = written.strip()
        try:
            if self._format is None:
                return self._of_iso(text)
            parts = self._format.parts(text)
            return None if parts is None else self._of_parts(parts)
        except _NO_TIME:
            return None

    def _of_iso(self, text: str) -> int | None:
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            return self._of_clock(time_of_day.fromisoformat(text)) if ":" in text else None
        return self._utc_us(moment) if len(text) > 10 else None

    def _of_clock(self, clock: time_of_day) -> int | None:
        parts = (clock.hour, clock.minute, clock.second, clock.microsecond, clock.utcoffset())
        return self._of_parts(Parts(None, None, None, *parts))

    def _of_parts(self, parts: Parts) -> int | None:
        if parts.month is None or parts.day is None:
            return self._in_the_night(parts)
        if parts.year is not None:
            return self._utc_us(parts.at(parts.year, parts.month, parts.day))
        return self._nearest_year(parts)

    def _in_the_night(self, parts: Parts) -> int | None:
        for days in (0, 1, -1):
            day = self._night + days * _DAY
            moment_us = self._utc_us(parts.at(day.year, day.month, day.day))
            moment = _EPOCH + timedelta(microseconds=moment_us)
            if night_of(moment, self._longitude_deg) == self._night:
                return moment_us
        return None

    def _nearest_year(self, parts: Parts) -> int | None:
        assert parts.month is not None
        assert parts.day is not None
        moments = []
        for year in (self._night.year - 1, self._night.year, self._night.year + 1):
            try:
                moments.append(parts.at(year, parts.month, parts.day))
            except ValueError:  # the 29th of February
                continue
        if not moments:
            return None
        return self._utc_us(min(moments, key=lambda one: abs(one.date() - self._night)))

    def _utc_us(self, moment: datetime) -> int:
        if moment.tzinfo is not None:
            return self._seen(microseconds_of(moment))
        if self._zone is UTC:
            return self._seen((moment - _NAIVE_EPOCH) // _MICROSECOND)
        first = microseconds_of(self._placed(moment))
        if self._latest_us is not None and first < self._latest_us - _OUT_OF_ORDER_US:
            again = microseconds_of(self._placed(moment.replace(fold=1)))
            # The same time of day twice: the log has passed the first one already.
            if again > first:
                return self._seen(again)
        return self._seen(first)

    def _placed(self, moment: datetime) -> datetime:
        # astimezone() of a naive time reads it in the computer's own zone.
        if self._zone is not None:
            return moment.replace(tzinfo=self._zone)
        try:
            return moment.astimezone()
        except OSError as error:  # Windows has no local time before 1970
            raise OverflowError(str(error)) from error

    def _seen(self, moment_us: int) -> int:
        self._latest_us = moment_us if self._latest_us is None else max(self._latest_us, moment_us)
        return moment_us


def _iso_looking(name: str) -> Iterator[str]:
    """Return what may be an ISO 8601 time in a file's name, where ":" cannot stand on many systems."""
    for found in _ISO_LOOKING.finditer(name[-LONGEST_TIME * 3 :]):
        year, month, day, hour, minute, second, zone = found.groups()
        yield f"{year}-{month}-{day}T{hour}:{minute}:{second or '00'}{zone}"
