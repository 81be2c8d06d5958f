"""`nightferry setup`: write a commented configuration with what was found on this computer."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from transfer.cli.options import ends_with_exit_code, json_option, print_json, say, user_folder
from transfer.cli.screen import screen_of
from transfer.cli.starting import write_what_starts
from transfer.config.reading import CONFIG_NAME
from transfer.engine.drive import find_drives
from transfer.engine.medium import this_computer
from transfer.errors import ConfigurationError, ExitCode
from transfer.jobs.setup import FoundHere, found_lines, look_around, setup_text


@click.command("setup")
@click.option(
    "--config", "config_file", type=click.Path(path_type=Path), metavar="FILE", help="Where to write it."
)
@click.option(
    "--logs",
    "log_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Propose a description of a log by looking at it; print it, and write nothing.",
)
@click.option("--start", is_flag=True, help="Write what starts send --follow by itself, and explain it.")
@click.option("--install", "installs", is_flag=True, help="With --start: have the system take it, too.")
@json_option
@ends_with_exit_code("setup")
def command(
    config_file: Path | None, log_file: Path | None, start: bool, installs: bool, as_json: bool
) -> int:
    """Write a commented nightferry.toml, with what was found on this computer.

    It goes to your configuration folder unless --config says otherwise. A file that is there stays as
    it is. Look it through, then run: nightferry plan. With --logs, a [[source.logs]] for one of your logs is
    proposed: which columns, paths or words are times and numbers, and in which unit. With --start, a file is
    written by which this system starts `send --follow` by itself; nothing is installed without --install.
    """
    if start:
        return write_what_starts(config_file, installs, as_json)
    if installs:
        raise ConfigurationError("--install goes with --start only")
    if log_file is not None:
        return _propose(log_file, as_json)
    file = config_file or user_folder() / CONFIG_NAME
    drives, _ = find_drives((), this_computer())
    found = look_around(Path.home(), drives=[drive.mark.name for drive in drives])
    _write_new(file, setup_text(found))
    message = f"Written: {file}"
    if as_json:
        common = {"command": "setup", "exit": 0, "message": message, "path": str(file), "findings": []}
        print_json(common | _as_json(found))
    else:
        lines = map(screen_of(sys.stdout).clean, found_lines(found))
        say("\n".join([*lines, message, "Look it through, then run: nightferry plan"]))
    return int(ExitCode.PROVEN)


def _propose(log_file: Path, as_json: bool) -> int:
    from transfer.jobs.log_proposal import propose_for  # reading logs loads what no setup needs

    outcome = propose_for(log_file.absolute())
    if as_json:
        print_json(outcome.as_json())
    elif outcome.text:
        say(screen_of(sys.stderr).clean(outcome.message), err=True)
        say(outcome.text.rstrip())
    else:
        say(screen_of(sys.stderr).clean(outcome.message), err=True)
    return int(outcome.exit_code)


def _as_json(found: FoundHere) -> dict[str, Any]:
    folders = [
        {"folder": str(each.folder), "frames": each.frames, "logs": each.logs} for each in found.folders
    ]
    return {"found": folders, "drives": list(found.drives), "search_finished": found.whole}


def _write_new(file: Path, text: str) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with file.open("x", encoding="utf-8") as new:
            new.write(text)
    except FileExistsError as error:
        step = "It stays as it is. To begin anew, give another name with --config, or move it away."
        raise ConfigurationError("There is a configuration already", file, step) from error
    except OSError as error:
        raise ConfigurationError(
            f"It cannot be written ({error.strerror})", file, "Give another place with --config."
        ) from error
