"""What the commands share: their options, the configuration they find, and how an error ends them."""

from __future__ import annotations

import functools
import json
import os
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from transfer.config import Config, find_config, load_config
from transfer.errors import NightferryError

if TYPE_CHECKING:
    from transfer.jobs.send import SendRequest

Parameters = ParamSpec("Parameters")
Command = TypeVar("Command", bound=Callable[..., None])

config_option = click.option(
    "--config",
    "config_file",
    metavar="FILE",
    help="The configuration. Default: $NIGHTFERRY_CONFIG, ./nightferry.toml, your configuration folder.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)


_PATH = click.Path(path_type=Path)
_NIGHT = click.DateTime(formats=["%Y-%m-%d"])


def scope_options(function: Command) -> Command:
    """Add the options that say where to send and which nights."""
    options = (
        click.option("--drive", "drives", multiple=True, type=_PATH, help="Send to this prepared folder."),
        click.option(
            "--night", "nights", multiple=True, type=_NIGHT, metavar="DATE", help="The night of DATE."
        ),
        click.option("--since", type=_NIGHT, metavar="DATE", help="Every night from DATE on."),
        click.option("--all", "everything", is_flag=True, help="Every night that the sources have."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def as_request(
    drives: tuple[Path, ...], nights: tuple[datetime, ...], since: datetime | None, everything: bool
) -> SendRequest:
    """Make of these options what a person asked for."""
    from transfer.jobs.send import SendRequest
    from transfer.jobs.survey import Scope

    named = frozenset(night.date() for night in nights)
    return SendRequest(drives, Scope(named, None if since is None else since.date(), everything))


def user_folder() -> Path:
    """Give the folder of this user's own configuration, as the system has it."""
    return Path(click.get_app_dir("nightferry"))


def the_config(config_file: str | None) -> Config:
    """Find and read the configuration. Raises ConfigurationError."""
    return load_config(find_config(config_file, os.environ, Path.cwd(), user_folder()), os.environ)


def records_folder(config: Config) -> Path:
    """Give the folder where this computer's records are kept."""
    return config.records_folder or user_folder() / "records"


def ends_with_exit_code(name: str) -> Callable[[Callable[Parameters, int]], Callable[Parameters, None]]:
    """Make a command of a function that gives its exit code; an error of ours is told and gives its own."""

    def decorate(function: Callable[Parameters, int]) -> Callable[Parameters, None]:
        @functools.wraps(function)
        def run(*args: Parameters.args, **kwargs: Parameters.kwargs) -> None:
            try:
                code = function(*args, **kwargs)
            except NightferryError as error:
                tell_error(name, error, as_json=bool(kwargs.get("as_json")))
                code = int(error.exit_code)
            sys.exit(code)

        return run

    return decorate


def tell_error(name: str, error: NightferryError, as_json: bool) -> None:
    """Tell an error on standard error, or as the JSON document."""
    if as_json:
        print_json({"command": name, "exit": int(error.exit_code), "message": str(error), "findings": []})
    else:
        click.echo(f"nightferry {name}: {error}", err=True)


def print_json(document: dict[str, object]) -> None:
    """Print the one JSON document of a run; ASCII, so that any terminal and any pipe can take it."""
    click.echo(json.dumps(document, indent=2))
