"""A program that keeps a file for itself, as another program's lease does (fcntl(2), F_SETLEASE)."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# The system asks the holder to let go by SIGIO, and would wait for it (45 s by default); this one does not.
_HOLD = """
import fcntl, os, signal, sys
signal.signal(signal.SIGIO, signal.SIG_IGN)
held = os.open(sys.argv[1], os.O_RDONLY)
fcntl.fcntl(held, fcntl.F_SETLEASE, fcntl.F_WRLCK)
print("held", flush=True)
sys.stdin.read()
"""


class Lease:
    """A lease on one file, until it is let go of."""

    def __init__(self, path: Path) -> None:
        words = [sys.executable, "-c", _HOLD, str(path)]
        self._holder = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self._holder.stdout is not None
        assert self._holder.stdout.readline() == b"held\n"

    def let_go(self) -> None:
        """End the program that holds it."""
        self._holder.communicate()


@contextmanager
def leased(path: Path) -> Iterator[Lease]:
    """Keep every other program from opening a file."""
    lease = Lease(path)
    try:
        yield lease
    finally:
        lease.let_go()
