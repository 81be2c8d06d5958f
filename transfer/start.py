"""Where the command begins: nothing that takes time is loaded before an interruption can end it in order."""

from __future__ import annotations

import sys
from typing import NoReturn


def main() -> None:
    """Run the command line. An interruption while its modules load ends with 6 and without a traceback."""
    try:
        from transfer.cli.main import main as command_line
    except KeyboardInterrupt:
        interrupted()
    command_line()


def interrupted() -> NoReturn:
    """End the program: nothing was begun."""
    sys.stderr.write("nightferry: interrupted before anything was done.\n")
    sys.exit(6)  # ExitCode.STOPPED_EARLY, whose module may be what was being loaded
