"""The options that choose nights."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import TypeVar

import click

from manifests.index.frame_query import Between
from transfer.errors import ConfigurationError

Command = TypeVar("Command", bound=Callable[..., object])

_NIGHT = click.DateTime(formats=["%Y-%m-%d"])
_OPTIONS = (
    click.option("--night", type=_NIGHT, metavar="DATE", help="The night of that evening."),
    click.option("--since", type=_NIGHT, metavar="DATE", help="That night and later ones."),
    click.option("--until", type=_NIGHT, metavar="DATE", help="That night and earlier ones."),
)


def night_options(function: Command) -> Command:
    """Add the options that choose nights."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def nights_between(
    night: datetime | None, since: datetime | None, until: datetime | None
) -> Between[date] | None:
    """Return the nights that these options mean, None for all. Raises ConfigurationError."""
    if night is not None and (since or until):
        raise ConfigurationError("--night is one night, --since and --until are a range: give one of the two")
    first, last = night or since, night or until
    if first and last and first > last:
        raise ConfigurationError("--since is later than --until")
    return Between(first and first.date(), last and last.date()) if first or last else None
