"""A night as it is written on the command line: a date, tonight, yesterday, or a weekday."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import click

NIGHT_HELP = "the date of its evening; or tonight, yesterday, sat"
_HALF_A_DAY = timedelta(hours=12)
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_LEAST_LETTERS = 3


def night_written(text: str, now: datetime) -> date:
    """Return the night that a text names; `now` is this computer's local time.

    A date names the night that began on its evening. `tonight` is the night that is running, until noon;
    `yesterday` the one that began on yesterday's evening; a weekday (`sat`) the last one that began on that
    day of the week, today's included. Raises ValueError.
    """
    word = text.strip().casefold()
    if word == "tonight":
        return (now - _HALF_A_DAY).date()
    if word == "yesterday":
        return now.date() - timedelta(days=1)
    for number, name in enumerate(_WEEKDAYS):
        if len(word) >= _LEAST_LETTERS and name.startswith(word):
            return now.date() - timedelta(days=(now.weekday() - number) % 7)
    try:
        return datetime.strptime(word, "%Y-%m-%d").date()  # noqa: DTZ007 - a date without a time has no zone
    except ValueError as error:
        raise ValueError("write a date as 2026-03-14, or tonight, yesterday or a weekday") from error


class Night(click.ParamType):  # type: ignore[type-arg]  # not generic before click 8.5
    """A night on the command line, as `night_written` reads it."""

    name = "night"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Return the night, unless it is one already."""
        if isinstance(value, date):
            return value
        try:
            return night_written(str(value), datetime.now().astimezone())
        except ValueError as error:
            self.fail(f"{value!r}: {error}", param, ctx)
