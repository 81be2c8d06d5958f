"""Where the command begins: nothing that takes time is loaded before an interruption can end it in order."""

from __future__ import annotations

from transfer.interruption import interrupted


def main() -> None:
    """Run the command line. An interruption while its modules load ends with 6 and without a traceback."""
    try:
        from transfer.cli.main import main as command_line
    except KeyboardInterrupt:
        interrupted()
    command_line()
