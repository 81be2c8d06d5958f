"""What a fault is and what a trial of it gets: dice of its own, a room, a drive of a kind."""

from __future__ import annotations

import random
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from tests.faults.judge import Broken
from tests.faults.scene import Scene, prepare, room
from tests.support.volumes import Volume, volume

SIZE_MB = 40
REDRAWN = 1_000_000  # a number that could not be tried is drawn again under another, this far away
_UNMOUNT_TRIES = 50


class NotMade(Exception):
    """The fault did not come about: the trial says nothing, and another one is made in its place."""


class TornByFileSystem(Exception):
    """The file system lost by itself what had long been safe: counted apart, as neither held nor broken."""


@dataclass(frozen=True)
class Trial:
    """One trial of a fault: everything in it follows from these. `job` narrows it to one job."""

    fault: str
    on: str
    seed: int
    number: int
    without: str = ""
    job: str = ""

    @property
    def dice(self) -> random.Random:
        """Return dice that fall as they did the last time."""
        return self.dice_for("")

    def dice_for(self, purpose: str) -> random.Random:
        """Return dice of a purpose's own, so that no choice of one trial hangs on another of it."""
        return random.Random(f"{self.fault}|{self.on}|{self.seed}|{self.number}|{purpose}")

    @property
    def command(self) -> str:
        """Return the command that repeats it."""
        what = f"--only {self.fault} --on {self.on} --seed {self.seed} --number {self.number}"
        more = {"--without": self.without, "--job": self.job}
        told = [f"{option} {name}" for option, name in more.items() if name]
        return " ".join((f"python -m tests.faults.run {what}", *told))


@dataclass(frozen=True)
class Fault:
    """A kind of fault: its name, what it is, where it is tried, how often in all, and one try of it.

    `slice_count` is its share of the quick slice, over all that it is tried on.
    """

    name: str
    row: str
    on: tuple[str, ...]
    full_count: int
    try_once: Callable[[Trial], None]
    slice_count: int
    batch: int = 1  # inputs of which one trial tries so many: they are what is counted


def unmount(drive: Volume) -> None:
    """Unmount it. Programs that look at all that is mounted may be at work beside the trials."""
    for _ in range(_UNMOUNT_TRIES):
        with suppress(RuntimeError):
            drive.unmount()
            return
        time.sleep(0.1)
    held = subprocess.run(["fuser", "-vm", drive.path], capture_output=True, text=True, check=False)
    raise RuntimeError(f"{drive.path} cannot be unmounted: {held.stderr}{held.stdout}")


@contextmanager
def telling(what: str) -> Iterator[None]:
    """Say, with an invariant that does not hold, what was done."""
    try:
        yield
    except Broken as error:
        raise Broken(f"[{what}] {error}") from error


@contextmanager
def drive_scene(trial: Trial, size_mb: int = SIZE_MB) -> Iterator[tuple[Scene, Volume]]:
    """Return a scene whose drive is a real volume, its mark safe on the medium."""
    with room() as root, volume(trial.on, size_mb=size_mb) as drive:
        prepare(drive.path)
        unmount(drive)
        drive.mount_again()
        scene = Scene(root, drive.path, trial.dice, trial.without)
        with scene.at_end:
            yield scene, drive
