"""How the program ends when it is interrupted before it has begun anything."""

from __future__ import annotations

import sys
from typing import NoReturn


def interrupted() -> NoReturn:
    """End the program: nothing was begun."""
    sys.stderr.write("nightferry: interrupted before anything was done.\n")
    sys.exit(6)  # ExitCode.STOPPED_EARLY, whose module may be what was being loaded
