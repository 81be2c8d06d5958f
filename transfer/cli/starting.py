"""`nightferry setup --start`: what starts the follower, written, explained, and installed where asked."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

from transfer.cli.options import print_json, say, the_config, user_folder
from transfer.cli.screen import screen_of
from transfer.cli.telling import fitted
from transfer.errors import ExitCode
from transfer.jobs.starting import Starter, install, run_command, shown_commands, starter_for, write_starter


def write_what_starts(config_file: Path | None, installs: bool, as_json: bool) -> int:
    """Write it for the configuration that a command would use; return the exit code."""
    config = the_config(None if config_file is None else str(config_file))
    command = [_python(), "-m", "transfer", "send", "--follow", "--config", str(config.file.absolute())]
    user_id = os.getuid() if hasattr(os, "getuid") else 0
    starter = starter_for(sys.platform, command, user_folder(), Path.home(), user_id)
    write_starter(starter)
    if installs:
        install(starter, run_command)
    if as_json:
        print_json(_as_json(starter, installs))
        return int(ExitCode.PROVEN)
    screen = screen_of(sys.stdout)
    for line in _lines(starter, installs):
        # A line that starts indented is a path or a command, to be copied as it is.
        say("\n".join(fitted([screen.clean(line)], None if line.startswith(" ") else screen.width)))
    return int(ExitCode.PROVEN)


def _python() -> str:
    """Return this Python; on Windows the one that opens no window."""
    windowless = Path(sys.executable).with_name("pythonw.exe")
    return str(windowless) if windowless.exists() else sys.executable


def _as_json(starter: Starter, is_installed: bool) -> dict[str, object]:
    return {
        "command": "setup",
        "exit": int(ExitCode.PROVEN),
        "message": f"Written: {starter.kind}",
        "findings": [],
        "files": [str(path) for path in starter.files],
        "installed": is_installed,
        "install": [list(command) for command in starter.install],
        "remove": [list(command) for command in starter.remove],
    }


def _lines(starter: Starter, is_installed: bool) -> Iterator[str]:
    yield f"Written: {starter.kind}, which starts nightferry send --follow {starter.when}."
    yield from (f"  {path}" for path in starter.files)
    yield "Each run ends two hours after sunrise, when a send takes over, or when the system ends it."
    if starter.note:
        yield starter.note
    if is_installed:
        yield "The system has taken it. To have it forgotten:"
        yield f"  {shown_commands(starter.remove)}"
        return
    yield "Nothing is installed yet. Look it through, then:"
    yield "  nightferry setup --start --install"
    for path, place in starter.places.items():
        yield f"It copies {path.name} to {place.parent}."
    yield "It runs:"
    yield f"  {shown_commands(starter.install)}"
