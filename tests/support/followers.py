"""A follower as a process: started, waited for by what it says, asked, killed, held up."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Self

from tests.support.nights import Computer
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.standing import End
from transfer.engine.surroundings import Surroundings
from transfer.events import Event, Noted
from transfer.jobs.send.follow import Follower as FollowerOfNights
from transfer.jobs.send.ready import SendRequest
from transfer.stop import Stop

FOLLOWS_FAST = '[follow]\nrest = "0.3s"\n'
_WITHIN_S = 120.0


def wait_for(is_so: Callable[[], Any], what: str, within_s: float = _WITHIN_S) -> None:
    """Wait until something is so; fail where it does not come to that."""
    until = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < until, f"it never came to that: {what}"
        time.sleep(0.05)


class Follower:
    """One `send --follow`. `lines` are what it has said so far, its errors among them, none of them wrapped.

    `program` is what Python is to run in place of the product.
    """

    def __init__(
        self, computer: Computer, *words: str | Path, program: Sequence[str] = ("-m", "transfer")
    ) -> None:
        follow = ("send", "--follow", "--config", os.fspath(computer.file), *map(os.fspath, words))
        self._watch(
            subprocess.Popen(
                [sys.executable, *program, *follow],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                cwd=Path(__file__).parents[2],
                text=True,
            )
        )

    def _watch(self, process: subprocess.Popen[str]) -> None:
        """Take down what a process says."""
        self.process = process
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as said:
            for line in said:
                if line.startswith("  ") and self.lines:
                    self.lines[-1] += f" {line.strip()}"
                else:
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

    def let_go_on(self) -> None:
        """Let it go on after it was held up."""
        os.kill(self.process.pid, signal.SIGCONT)


class FastClock:
    """Clocks that run so many times as fast as the computer's, from a moment on; `jump` sets one of them."""

    def __init__(self, times: float, begins: datetime) -> None:
        self._times, self._began = times, time.monotonic()
        self._begins = begins
        self._slept_s = 0.0

    def seconds(self) -> float:
        """Return seconds that nobody can set, as the system counts them."""
        return (time.monotonic() - self._began) * self._times + self._slept_s

    def now(self) -> datetime:
        """Return what the clock on the wall shows."""
        return self._begins + timedelta(seconds=self.seconds())

    def jump(self, by: timedelta) -> None:
        """Set the clock on the wall."""
        self._begins += by

    def sleep(self, by: timedelta, counted: bool) -> None:
        """Let the computer sleep: the clock on the wall goes on, and the system may count the time or not."""
        if counted:
            self._slept_s += by.total_seconds()
        else:
            self._begins += by


class FollowedHere:
    """A follower in this process, by clocks of the test's own; `lines` are what it has said."""

    def __init__(
        self, computer: Computer, drive: Path, clock: FastClock, until: datetime, stop: Stop | None = None
    ) -> None:
        self.lines: list[str] = []
        self.ended: End | None = None
        self.stop = stop or Stop()
        medium = this_computer()
        around = Surroundings(medium, Records(computer.records), self.stop, self._take, clock.now)
        self._place = place = MeetingPlace(computer.records, medium)
        config, request = computer.config(), SendRequest((drive,))
        self.follower = FollowerOfNights(config, request, around, place, until, "0", clock.seconds)
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        with self._place.alone():
            self.ended = self.follower.run()

    def _take(self, event: Event) -> None:
        if isinstance(event, Noted):
            self.lines.append(event.line)

    def says(self, text: str) -> None:
        """Wait until it has said something."""
        wait_for(lambda: any(text in line for line in self.lines), f"it says {text!r}: {self.lines}")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.ask("the test is over")
        self._thread.join(_WITHIN_S)


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
