"""What the commands share: their options, the configuration they find, and how an error ends them."""

from __future__ import annotations

import functools
import json
import os
import sys
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from manifests.bags.paths import shown
from transfer.cli.written_nights import NIGHT_HELP, Night
from transfer.engine.unforeseen import unforeseen
from transfer.errors import ConfigurationError, NightferryError

if TYPE_CHECKING:
    from transfer.config import Config
    from transfer.jobs.send.ready import SendRequest

Parameters = ParamSpec("Parameters")
Command = TypeVar("Command", bound=Callable[..., None])

config_option = click.option(
    "--config",
    "config_file",
    metavar="FILE",
    help="The configuration. Default: $NIGHTFERRY_CONFIG, ./nightferry.toml, your configuration folder.",
)
all_findings_option = click.option(
    "--all-findings", is_flag=True, help="List every finding by itself, however many are of one kind."
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)


class _WrittenPath(click.Path):
    r"""A path as a person writes it: `D:` is the drive's root, and `D:name` is refused."""

    def convert(
        self, value: str | os.PathLike[str], param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        path = Path(os.fspath(value))
        if not path.drive or path.root:
            return path
        from transfer.config.folders import FolderError, with_whole_drive  # Windows alone has such paths

        try:
            return with_whole_drive(path)
        except FolderError as error:
            self.fail(f"expected {error}", param, ctx)


WRITTEN_PATH = _WrittenPath()


def scope_options(function: Command) -> Command:
    """Add the options that say where to send and which nights."""
    options = (
        click.option(
            "--drive", "drives", multiple=True, type=WRITTEN_PATH, help="Send to this prepared folder."
        ),
        click.option(
            "--night",
            "nights",
            multiple=True,
            type=Night(),
            metavar="NIGHT",
            help=f"Only this night: {NIGHT_HELP}.",
        ),
        click.option("--since", type=Night(), metavar="NIGHT", help="Every night from NIGHT on."),
        click.option("--all", "everything", is_flag=True, help="Every night that the sources have."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def as_request(
    drives: tuple[Path, ...], nights: tuple[date, ...], since: date | None, everything: bool
) -> SendRequest:
    """Make of these options what a person asked for."""
    from transfer.jobs.send.ready import SendRequest
    from transfer.jobs.send.survey import Scope

    return SendRequest(drives, Scope(frozenset(nights), since, everything))


def user_folder() -> Path:
    """Return the folder of this user's own configuration, as the system has it."""
    return Path(click.get_app_dir("nightferry"))


def the_config(config_file: str | None) -> Config:
    """Find and read the configuration. Raises ConfigurationError."""
    from transfer.config import find_config, load_config  # which a command about a named folder does without

    return load_config(find_config(config_file, os.environ, Path.cwd(), user_folder()), os.environ)


def any_config(config_file: str | None) -> Config | None:
    """Read the configuration where one is named or found; None where there is none to be found.

    Raises ConfigurationError where the one that is named is not there, or what is there cannot be used.
    """
    from transfer.config import find_config

    try:
        find_config(config_file, os.environ, Path.cwd(), user_folder())
    except ConfigurationError:
        if config_file is not None:
            raise
        return None
    return the_config(config_file)


def records_folder(config: Config) -> Path:
    """Return the folder where this computer's records are kept."""
    return config.records_folder or user_folder() / "records"


def ends_with_exit_code(
    name: str, nothing: Mapping[str, object] | None = None, refused: str = ""
) -> Callable[[Callable[Parameters, int]], Callable[Parameters, None]]:
    """Make a command of a function that gives its exit code; an error is told and gives its own.

    `nothing` are the keys that the command's JSON document has beside the common ones, where it did nothing.
    `refused` is the first line where the command line or the configuration kept it from beginning.
    """

    def decorate(function: Callable[Parameters, int]) -> Callable[Parameters, None]:
        @functools.wraps(function)
        def run(*args: Parameters.args, **kwargs: Parameters.kwargs) -> None:
            as_json = bool(kwargs.get("as_json"))
            sys.exit(exit_code_of(name, lambda: function(*args, **kwargs), as_json, nothing or {}, refused))

        return run

    return decorate


def exit_code_of(
    name: str, act: Callable[[], int], as_json: bool, nothing: Mapping[str, object], refused: str = ""
) -> int:
    """Do something and give its exit code; no traceback of ours reaches a user."""
    try:
        return act()
    except NightferryError as error:
        if refused and not as_json and isinstance(error, ConfigurationError):
            say(refused, err=True)
        tell_error(name, error, as_json, nothing)
        return int(error.exit_code)
    except (click.ClickException, click.exceptions.Exit, click.Abort):
        raise
    except Exception as fault:  # noqa: BLE001 - told in one line, as any other error
        ended = unforeseen(fault)
        tell_error(name, ended, as_json, nothing)
        return int(ended.exit_code)


def tell_error(name: str, error: NightferryError, as_json: bool, nothing: Mapping[str, object]) -> None:
    """Report an error on standard error, or as the JSON document."""
    if as_json:
        told = {"command": name, "exit": int(error.exit_code), "message": str(error), "findings": []}
        print_json({**told, **nothing})
    else:
        lines = f"nightferry {name}: {error}".split("\n")
        say("\n".join(shown(line, len(line)) for line in lines), err=True)


def print_json(document: dict[str, object]) -> None:
    """Print the one JSON document of a run; ASCII, so that any terminal and any pipe can take it."""
    say(json.dumps(document, indent=2))


def say(text: str, err: bool = False) -> None:
    """Print a line, or some. Where nobody reads any more the exit code still tells what came of the run."""
    stream = sys.stderr if err else sys.stdout
    try:
        click.echo(text, err=err)
        stream.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2 if err else 1)
