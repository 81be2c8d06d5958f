"""Runs of the product that begin in a fork of a process which has it loaded: a start costs more than they do.

Only runs beside the fault begin so, those that bring a scene about or look at what is left; a run in which
a system call is struck is started as the system starts it.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.faults.judge import Ran

_SERVER = Path(__file__).with_name("warm_server.py")


class Warm:
    """A process that has the product loaded and forks for each run, one after another."""

    def __init__(self, environ: dict[str, str], here: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(_SERVER)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            env=environ,
            cwd=here,
            start_new_session=True,
        )
        atexit.register(self.end)

    def run(self, words: list[str], ends_within_s: float) -> Ran:
        """Run one command to its end, which it has to find by itself. Raises subprocess.TimeoutExpired."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with tempfile.TemporaryDirectory(prefix="nightferry-run-") as folder:
            out, err = Path(folder, "out"), Path(folder, "err")
            self._process.stdin.write(json.dumps([str(out), str(err), words]).encode() + b"\n")
            if not select.select([self._process.stdout], [], [], ends_within_s)[0]:
                self.end()
                raise subprocess.TimeoutExpired(words, ends_within_s)
            code = int(self._process.stdout.readline())
            return Ran(code, _text(out), _text(err), killed=code == -signal.SIGKILL)

    def end(self) -> None:
        """End it, with whatever run is at work in it."""
        atexit.unregister(self.end)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.communicate()

    @property
    def ended(self) -> bool:
        """Whether it can run nothing any more."""
        return self._process.poll() is not None


def _text(path: Path) -> str:
    return path.read_bytes().decode("utf-8", "replace")
