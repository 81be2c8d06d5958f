"""A follower as a process: started, waited for by what it says, asked, killed, held up."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.support.nights import Computer, command_line

FOLLOWS_FAST = '[follow]\nrest = "0.3s"\n'
_WITHIN_S = 60.0


def wait_for(is_so: Callable[[], Any], what: str, within_s: float = _WITHIN_S) -> None:
    """Wait until something is so; fail where it does not come to that."""
    until = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < until, f"it never came to that: {what}"
        time.sleep(0.05)


class Follower:
    """One `send --follow`. `lines` are what it has said so far, its errors among them."""

    def __init__(self, computer: Computer, *words: str | Path) -> None:
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            command_line("send", "--follow", "--config", computer.file, *words),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as said:
            for line in said:
                self.lines.append(line.rstrip("\n"))

    @property
    def said(self) -> str:
        """All that it has said so far."""
        return "\n".join(self.lines)

    def says(self, text: str, times: int = 1, within_s: float = _WITHIN_S) -> None:
        """Wait until it has said something, so many times."""

        def is_said() -> bool:
            return self.said.count(text) >= times or self.process.poll() is not None

        wait_for(is_said, f"it says {text!r}, and said:\n{self.said}", within_s)
        self._reader.join(0 if self.process.poll() is None else 10)
        assert self.said.count(text) >= times, self.said

    def proves(self, *names: str) -> None:
        """Wait until it says that files are proven."""
        for name in names:
            pattern = re.compile(rf"{re.escape(name)} .* is (proven|compared) on")
            wait_for(
                lambda pattern=pattern: pattern.search(self.said) or self.process.poll() is not None,
                f"{name} is proven:\n{self.said}",
            )
            assert pattern.search(self.said), self.said

    def ends(self) -> int:
        """Wait for its end; return its exit code."""
        code = self.process.wait(_WITHIN_S)
        self._reader.join(10)
        return code

    def kill(self) -> None:
        """Kill it, as a power cut of the computer would."""
        self.process.kill()
        self.ends()

    def hold_up(self) -> None:
        """Let it hang."""
        os.kill(self.process.pid, signal.SIGSTOP)


@contextlib.contextmanager
def following(computer: Computer, *words: str | Path) -> Iterator[Follower]:
    """Follow the night of a computer until the context is left, or the follower ends before."""
    follower = Follower(computer, *words)
    try:
        follower.says("Following until")
        yield follower
    finally:
        if follower.process.poll() is None:
            follower.kill()
