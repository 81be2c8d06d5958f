"""The scene of a trial: an imaging computer with a small session, a drive, and runs as processes."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from tests.faults.judge import MARK, Fingerprint, Known, Ran, fingerprint, require_same, sha256_of
from tests.faults.warm import Warm
from tests.support.nights import Computer, fits, noise

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]
ENDS_WITHIN_S = 120
_MARK_TEXT = """\
# A drive of the fault trials.
id = "6f1d1a0e-2b4c-4d6e-8f10-1234567890ab"
name = "Field stick"
prepared = 2026-03-01T12:00:00Z
"""


def environment() -> dict[str, str]:
    """Return a run's environment: nothing of the person's own configuration reaches it."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTFERRY")}
    return kept | {"PYTHONDONTWRITEBYTECODE": "1", "LC_ALL": "C.UTF-8", "PYTHONPATH": str(PROJECT)}


def prepare(drive: Path) -> Path:
    """Mark a folder as a drive to send to."""
    (drive / MARK).write_text(_MARK_TEXT, encoding="utf-8")
    return drive


@dataclass
class Scene:
    """One trial's computer and drive. `without` names a protection that is taken out of the product.

    `start` is what each command is started through; `at_end` ends what goes on beside the commands.
    """

    root: Path
    drive: Path
    dice: random.Random
    without: str = ""
    start: tuple[str, ...] = ()
    computer: Computer = field(init=False)
    known: Known = field(default_factory=Known)
    before: Fingerprint = field(default_factory=dict)
    at_end: ExitStack = field(default_factory=ExitStack)

    def __post_init__(self) -> None:
        self.computer = Computer(self.root / "imaging")

    # The session

    def begin_session(self) -> None:
        """Put the first part of the night there: eight frames, a dark, three logs; about 2.2 MB."""
        for number in range(8):
            self.computer.frame(f"M 51/Ha/light_{number:03}.fits", data=noise(self._size(), number))
        self.computer.frame("darks/dark_001.fits", kind="Dark Frame", target="", data=noise(90_000, 70))
        self.computer.log("mount.log", noise(40_000, 71))
        self.computer.log("weather/2026-03-14.csv", b"time,deg_c\n22:00,4.5\n" * 500)
        self.computer.log("guiding notes.txt", b"")
        self.look()

    def go_on_with_session(self) -> None:
        """Let the night go on: two frames more, two logs grow."""
        for number in (8, 9):
            self.computer.frame(f"M 51/OIII/light_{number:03}.fits", data=noise(self._size(), number))
        self.computer.append(self.computer.logs / "mount.log", noise(20_000, 72))
        self.computer.append(self.computer.logs / "guiding notes.txt", b"01:00 cable dragged\n")
        self.look()

    def _size(self) -> int:
        return 150_000 + self.dice.randrange(0, 200_000)

    def look(self) -> None:
        """Record the sources as they are now; only the session may change them."""
        computer = self.computer
        self.known.now = {
            f"data/{name}/{path.relative_to(folder).as_posix()}": sha256_of(path)
            for name, folder in (("frames", computer.frames), ("logs", computer.logs))
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }
        self.known.ever |= set(self.known.now.values())
        self.before = self.sources()

    def sources(self) -> Fingerprint:
        """Fingerprint the sources."""
        return fingerprint(self.computer.frames, self.computer.logs)

    def require_sources_untouched(self) -> None:
        """Invariant 1."""
        require_same(self.before, self.sources(), "a source")

    # Runs

    def name_of(self, path: Path) -> str:
        """Return what the computer that runs the product calls a path."""
        return str(path)

    def command(self, *words: str | Path) -> list[str]:
        """Return a command of the product as the system starts it."""
        start = [sys.executable, "-m", "transfer"]
        if self.without:
            start = [sys.executable, "-m", "tests.faults.without", self.without, "--"]
        return [*self.start, *start, *map(os.fspath, words)]

    def send_words(self, *more: str) -> list[str]:
        """Return the words of `send` to this scene's drive."""
        config = ["--config", str(self.computer.file)]
        return ["send", "--drive", str(self.drive), "--json", *config, *more]

    def run(self, *words: str | Path) -> Ran:
        """Run a command of the product."""
        if self.without or self.start:
            return run_plainly(self.command(*words))
        return warm().run([*map(os.fspath, words)], ENDS_WITHIN_S)

    def send(self, *more: str) -> Ran:
        """Send to the drive."""
        return self.run(*self.send_words(*more))


def warm() -> Warm:
    """Return the process that has the product loaded; one that a run hung in is replaced."""
    if _warm.cache_info().currsize and _warm().ended:
        _warm.cache_clear()
    return _warm()


@cache
def _warm() -> Warm:
    return Warm(environment(), HERE)


def run_plainly(command: list[str]) -> Ran:
    """Run a program to its end, which it has to find by itself."""
    done = subprocess.run(
        command,
        capture_output=True,
        stdin=subprocess.DEVNULL,
        env=environment(),
        cwd=HERE,
        timeout=ENDS_WITHIN_S,
        check=False,
    )
    return Ran(
        done.returncode, done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace")
    )


@contextmanager
def room() -> Iterator[Path]:
    """Return a folder of a trial's own; it goes at the end."""
    folder = Path(tempfile.mkdtemp(prefix="nightferry-faults-")).resolve()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


__all__ = ["HERE", "PROJECT", "Scene", "environment", "fits", "noise", "prepare", "room", "run_plainly"]
