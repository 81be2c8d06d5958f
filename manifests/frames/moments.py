"""A header's dates and times, in any form in use, to the moment its exposure began, in UTC."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone

from manifests.frames.cards import CardValue
from manifests.frames.keywords import KeywordTable
from manifests.frames.timescales import to_utc
from manifests.frames.values import number, text

_DATE = r"([0-9]{4})[-/]([0-9]{1,2})[-/]([0-9]{1,2})"
_TIME = r"([0-9]{1,2}):([0-9]{1,2})(?::([0-9]{1,2})(?:[.,]([0-9]*))?)?"
_ISO = re.compile(rf"{_DATE}(?:[T ] ?{_TIME} ?(Z|[+-][0-9]{{2}}:?[0-9]{{2}})?)?")
_TIME_OF_DAY = re.compile(rf"{_TIME} ?Z?")
# DD/MM/YY, section 4.4.2.1: always of the years 1900 to 1999.
_OLD_DATE = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{2})")

_MJD_0 = datetime(1858, 11, 17)  # noqa: DTZ001 (in the scale of the header)
_JD_OF_MJD_0 = 2400000.5


@dataclass(frozen=True, slots=True)
class Beginning:
    """When an exposure began; with `date_only`, 0h stands for a time that the header does not give."""

    utc: datetime
    date_only: bool = False


@dataclass(frozen=True, slots=True)
class _Reading:
    """A moment in the header's time scale, or, where it is aware, in the zone that it names."""

    moment: datetime
    date_only: bool = False


def beginning_of(
    cards: Mapping[str, CardValue], table: KeywordTable, scale: str, exposure_s: float | None
) -> Beginning | None:
    """Give when the exposure began by the cards of one header, or `None` where they do not say.

    `scale` is the header's TIMESYS. The first form that gives a time of day counts: the start as a
    date, the middle or the end less (half) the exposure, then MJD and JD; a date alone comes last.
    """
    first_date: Beginning | None = None
    for reading in _readings(cards, table, exposure_s):
        utc = _in_utc(reading, scale)
        if utc is not None and not reading.date_only:
            return Beginning(utc)
        if utc is not None and first_date is None:
            first_date = Beginning(utc, date_only=True)
    return first_date


def _readings(
    cards: Mapping[str, CardValue], table: KeywordTable, exposure_s: float | None
) -> Iterator[_Reading]:
    """Give every moment that the cards name, moved to the exposure's start, the best first."""
    keywords = table.keywords
    for card in _present(cards, keywords["begun_utc"]):
        yield from _start_dates(card, list(_present(cards, keywords["time_of_day"])))
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
    """Give a date, with the time of day that stands in a card of its own where it has none itself."""
    reading = _read_date(text(card) or "")
    if reading is not None and reading.date_only:
        since_midnight = filter(None, (_time_of_day(text(time) or "") for time in times))
        yield from (_Reading(reading.moment + time) for time in since_midnight)
    yield from _moved(reading, timedelta())


def _moved(reading: _Reading | None, back: timedelta) -> Iterator[_Reading]:
    """Give the reading `back` earlier; nothing where a date alone cannot be moved, or there is none."""
    if reading is not None and not (reading.date_only and back):
        try:
            yield _Reading(reading.moment - back, reading.date_only)
        except OverflowError:
            return


def _read_date(written: str) -> _Reading | None:
    iso = _ISO.fullmatch(written)
    old = _OLD_DATE.fullmatch(written)
    try:
        if old:
            return _Reading(datetime(1900 + int(old[3]), int(old[2]), int(old[1])), date_only=True)  # noqa: DTZ001
        return iso and _read_iso(iso)
    except (ValueError, OverflowError):
        return None


def _read_iso(iso: re.Match[str]) -> _Reading | None:
    day = date(int(iso[1]), int(iso[2]), int(iso[3]))
    midnight = datetime(day.year, day.month, day.day, tzinfo=_zone(iso[8]))
    if iso[4] is None:
        return _Reading(midnight, date_only=True)
    since_midnight = _duration(iso[4], iso[5], iso[6], iso[7])
    return None if since_midnight is None else _Reading(midnight + since_midnight)


def _zone(offset: str | None) -> timezone | None:
    if offset is None or offset == "Z":
        return UTC if offset else None
    size = timedelta(hours=int(offset[1:3]), minutes=int(offset[-2:]))
    return timezone(-size if offset[0] == "-" else size)


def _time_of_day(written: str) -> timedelta | None:
    match = _TIME_OF_DAY.fullmatch(written)
    return match and _duration(match[1], match[2], match[3], match[4])


def _duration(hours: str, minutes: str, seconds: str | None, fraction: str | None) -> timedelta | None:
    """Give the time since midnight; second 60 is a leap second, which runs into the next minute."""
    if int(hours) > 23 or int(minutes) > 59 or int(seconds or 0) > 60:
        return None
    microseconds = int((fraction or "").ljust(6, "0")[:6])
    return timedelta(
        hours=int(hours), minutes=int(minutes), seconds=int(seconds or 0), microseconds=microseconds
    )


def _read_mjd(days: float | None) -> _Reading | None:
    """Read a Modified Julian Date; a whole number is a date alone."""
    try:
        return None if days is None else _Reading(_MJD_0 + timedelta(days=days), date_only=days == int(days))
    except OverflowError:
        return None


def _in_utc(reading: _Reading, scale: str) -> datetime | None:
    try:
        if reading.moment.tzinfo is not None:
            return reading.moment.astimezone(UTC)
        return to_utc(reading.moment, scale)
    except OverflowError:
        return None
