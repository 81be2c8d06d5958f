"""A header's dates and times, in any form in use, to the moment its exposure began."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone

from manifests.frames.cards import CardValue
from manifests.frames.keywords import KeywordTable
from manifests.frames.timescales import is_local, to_utc
from manifests.frames.values import number, text, unit_of

# What may follow a date: a time, and its zone.
_REST = r"(?:[T ] ?([0-9][0-9:.,]*))?(?: ?(Z|UTC?|GMT|[+-][0-9]{2}(?::?[0-9]{2})?))?"
_ISO = re.compile(rf"([0-9]{{4}})[-/]([0-9]{{1,2}})[-/]([0-9]{{1,2}}){_REST}")
# DD/MM/YY is section 4.4.2.1 of FITS Standard 4.0: always of the years 1900 to 1999. With a year of four
# digits it is no standard's; it is common practice to keep the order.
_DAY_FIRST = re.compile(rf"([0-9]{{1,2}})/([0-9]{{1,2}})/([0-9]{{4}}|[0-9]{{2}}){_REST}")
_CLOCK = re.compile(r"([0-9]{1,2})[:h ]([0-9]{1,2})(?:[:m ]([0-9]{1,2})(?:[.,]([0-9]*))?)?s?")
_NUMBER_OF_DAY = re.compile(r"[0-9]{1,5}(?:\.[0-9]*)?")
_MARKED_UTC = re.compile(r" ?(?:Z|UTC?|GMT)$")
_UNITS_OF_DAY = {
    **dict.fromkeys(("h", "hr", "hour", "hours"), 3600.0),
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1.0),
}

_MJD_0 = datetime(1858, 11, 17)  # noqa: DTZ001 (in the scale of the header)
_JD_OF_MJD_0 = 2400000.5
_MIDNIGHT = _MJD_0.time()
_SAME_NIGHT = timedelta(days=2)

# No electronic camera took a frame before this year: a year of two digits was meant for another century.
_FIRST_YEAR = 1970


@dataclass(frozen=True, slots=True)
class Beginning:
    """When an exposure began: `utc`, or `local` (naive) where the header gives a clock without its zone.

    With `date_only`, 0h stands for a time that the header does not give. `remark` says what is doubtful
    about the date as it is written.
    """

    utc: datetime | None
    local: datetime | None
    date_only: bool
    remark: str


@dataclass(frozen=True, slots=True)
class _Reading:
    """A moment in the header's time scale, or, where it is aware, in the zone that it names."""

    moment: datetime
    date_only: bool = False
    remark: str = ""


def beginning_of(
    cards: Mapping[str, CardValue], table: KeywordTable, scale: str, exposure_s: float | None
) -> Beginning | None:
    """Return when the exposure began by the cards of one header, or `None` where they do not say.

    `scale` is the header's TIMESYS. The first form that gives a time of day counts: the start as a
    date, the middle or the end less (half) the exposure, MJD and JD, then local time; a date alone comes
    last.
    """
    first_date: Beginning | None = None
    for beginning in _beginnings(cards, table, scale, exposure_s):
        if not beginning.date_only:
            return beginning
        first_date = first_date or beginning
    return first_date


def written_utc_of(cards: Mapping[str, CardValue], table: KeywordTable) -> datetime | None:
    """Return when the header was written by its DATE, which is in UTC (FITS 4.0, section 4.4.2.1)."""
    readings = (_read_date(text(card) or "") for card in _present(cards, table.keywords["written_utc"]))
    return next((utc for reading in readings if reading and (utc := _in_utc(reading, "UTC"))), None)


def _beginnings(
    cards: Mapping[str, CardValue], table: KeywordTable, scale: str, exposure_s: float | None
) -> Iterator[Beginning]:
    for reading in _readings(cards, table, exposure_s):
        if reading.moment.tzinfo is None and is_local(scale):
            yield Beginning(None, reading.moment, reading.date_only, reading.remark)
        elif (utc := _in_utc(reading, scale)) is not None:
            yield Beginning(utc, None, reading.date_only, reading.remark)
    for card in _present(cards, table.keywords["begun_local"]):
        local = _read_date(text(card) or "")
        if local is None:
            continue
        if local.moment.tzinfo is None:
            yield Beginning(None, local.moment, local.date_only, local.remark)
        elif (utc := _in_utc(local, "UTC")) is not None:
            yield Beginning(utc, None, local.date_only, local.remark)


def _readings(
    cards: Mapping[str, CardValue], table: KeywordTable, exposure_s: float | None
) -> Iterator[_Reading]:
    """Yield every moment that the cards name, moved to the exposure's start, the best first."""
    keywords = table.keywords
    times = list(_present(cards, keywords["time_of_day"]))
    for card in _present(cards, keywords["begun_utc"]):
        yield from _start_dates(card, times)
    for card in times:
        yield from _moved(_read_date(text(card) or ""), timedelta())
    exposure = timedelta(seconds=min(max(exposure_s or 0.0, 0.0), 1e9))
    for fact, share in (("middle", 0.5), ("ended", 1.0)):
        for card in _present(cards, keywords[f"{fact}_utc"]):
            yield from _moved(_read_date(text(card) or ""), exposure * share)
    for fact, share in (("begun", 0.0), ("middle", 0.5), ("ended", 1.0)):
        for card in _present(cards, keywords[f"{fact}_mjd"]):
            yield from _moved(_read_mjd(number(card)), exposure * share)
    for card in _present(cards, keywords["begun_jd"]):
        days = number(card)
        yield from _moved(_read_mjd(None if days is None else days - _JD_OF_MJD_0), timedelta())


def _present(cards: Mapping[str, CardValue], keywords: tuple[str, ...]) -> Iterator[CardValue]:
    return (cards[keyword] for keyword in keywords if keyword in cards)


def _start_dates(card: CardValue, times: list[CardValue]) -> Iterator[_Reading]:
    """Yield a date with the time of day from a card of its own where the date has none, or midnight.

    Programs that write the time into another card leave 00:00:00 in the date.
    """
    reading = _read_date(text(card) or "")
    if reading is not None and _is_midnight(reading):
        for each in times:
            moment = _moment_on(reading.moment, each)
            if moment is not None:
                yield _Reading(moment, remark=reading.remark)
    yield from _moved(reading, timedelta())


def _is_midnight(reading: _Reading) -> bool:
    return reading.moment.time() == _MIDNIGHT


def _moment_on(midnight: datetime, card: CardValue) -> datetime | None:
    """Return the moment of a time card. A whole date in it counts within two days of the midnight."""
    whole = _read_date(text(card) or "")
    if whole is None or whole.date_only:
        since_midnight = _time_of_day(card)
        return None if since_midnight is None else _sum(midnight, since_midnight)
    same_zone = (whole.moment.tzinfo is None) == (midnight.tzinfo is None)
    if same_zone and abs(whole.moment - midnight) <= _SAME_NIGHT:
        return whole.moment
    clock = whole.moment.time()
    return datetime.combine(midnight.date(), clock, midnight.tzinfo)


def _sum(moment: datetime, later: timedelta) -> datetime | None:
    try:
        return moment + later
    except OverflowError:
        return None


def _moved(reading: _Reading | None, back: timedelta) -> Iterator[_Reading]:
    """Yield the reading `back` earlier; nothing where a date alone cannot be moved, or there is none."""
    if reading is not None and not (reading.date_only and back):
        moment = _sum(reading.moment, -back)
        if moment is not None:
            yield _Reading(moment, reading.date_only, reading.remark)


def _read_date(written: str) -> _Reading | None:
    iso, day_first = _ISO.fullmatch(written), _DAY_FIRST.fullmatch(written)
    try:
        if iso:
            return _dated(date(int(iso[1]), int(iso[2]), int(iso[3])), iso[4], iso[5])
        return day_first and _read_day_first(day_first)
    except (ValueError, OverflowError):
        return None


def _read_day_first(match: re.Match[str]) -> _Reading | None:
    day, month, year = int(match[1]), int(match[2]), int(match[3])
    if len(match[3]) == 4:
        # A day that no month has can only be a month written first.
        day_of = date(year, day, month) if month > 12 else date(year, month, day)
        return _dated(day_of, match[4], match[5])
    reading = _dated(date(1900 + year, month, day), match[4], match[5])
    if reading is None or reading.moment.year >= _FIRST_YEAR:
        return reading
    remark = f"'{match[0]}' is {reading.moment.date()}: in the FITS standard two digits mean 1900 to 1999"
    return _Reading(reading.moment, reading.date_only, remark)


def _dated(day: date, clock: str | None, zone: str | None) -> _Reading | None:
    midnight = datetime.combine(day, _MIDNIGHT, _zone(zone))
    if clock is None:
        return _Reading(midnight, date_only=True)
    since_midnight = _clock(clock)
    return None if since_midnight is None else _Reading(midnight + since_midnight)


def _zone(offset: str | None) -> timezone | None:
    if offset is None or offset[0] not in "+-":
        return UTC if offset else None
    size = timedelta(hours=int(offset[1:3]), minutes=int(offset[3:].lstrip(":") or 0))
    return timezone(-size if offset[0] == "-" else size)


def _time_of_day(card: CardValue) -> timedelta | None:
    """Return the time since midnight: a clock, decimal hours, or (24 and more) seconds."""
    written = _MARKED_UTC.sub("", text(card) or "")
    if not _NUMBER_OF_DAY.fullmatch(written):
        return _clock(written)
    size = float(written)
    unit_s = _UNITS_OF_DAY.get(unit_of(card, _UNITS_OF_DAY)) or (3600.0 if size < 24 else 1.0)
    since_midnight = timedelta(seconds=size * unit_s)
    return since_midnight if since_midnight < timedelta(days=1) else None


def _clock(written: str) -> timedelta | None:
    """Return the time since midnight; second 60 is a leap second, which runs into the next minute."""
    match = _CLOCK.fullmatch(written)
    if match is None:
        return None
    hours, minutes, seconds, fraction = match.groups(default="0")
    if int(hours) > 23 or int(minutes) > 59 or int(seconds) > 60:
        return None
    microseconds = int(f"{fraction}000000"[:6])
    return timedelta(hours=int(hours), minutes=int(minutes), seconds=int(seconds), microseconds=microseconds)


def _read_mjd(days: float | None) -> _Reading | None:
    """Read a Modified Julian Date; a whole number is a date alone, and 0 stands for an unknown one."""
    try:
        return _Reading(_MJD_0 + timedelta(days=days), date_only=days == int(days)) if days else None
    except OverflowError:
        return None


def _in_utc(reading: _Reading, scale: str) -> datetime | None:
    try:
        if reading.moment.tzinfo is not None:
            return reading.moment.astimezone(UTC)
        return to_utc(reading.moment, scale)
    except OverflowError:
        return None
