"""The options that choose nights."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TypeVar

import click

from manifests.index.frame_query import Between
from transfer.cli.written_nights import NIGHT_HELP, Night
from transfer.errors import ConfigurationError

Command = TypeVar("Command", bound=Callable[..., object])


def night_options(function: Command, of: str = "") -> Command:
    """Add the options that choose nights, the one for a single night with `of` before its name."""
    options = (
        click.option(
            f"--{of}night", "night", type=Night(), metavar="NIGHT", help=f"One night: {NIGHT_HELP}."
        ),
        click.option("--since", type=Night(), metavar="NIGHT", help="That night and later ones."),
        click.option("--until", type=Night(), metavar="NIGHT", help="That night and earlier ones."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def nights_between(night: date | None, since: date | None, until: date | None) -> Between[date] | None:
    """Return the nights that these options mean, None for all. Raises ConfigurationError."""
    if night is not None and (since or until):
        raise ConfigurationError("--night is one night, --since and --until are a range: give one of the two")
    first, last = night or since, night or until
    if first and last and first > last:
        raise ConfigurationError("--since is later than --until")
    return Between(first, last) if first or last else None
