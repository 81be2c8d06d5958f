"""A drive whose every write and every flush is recorded in order, and what a power cut could leave of it.

recording_server.py serves the file behind the loop device. A device owes its user only what was written
before a flush that it has answered; of what came after that, each sector may have reached the medium or not.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from tests.support.faulty_drive import end_server, need_fuse, wait_until_mounted
from tests.support.recording_server import FLUSH, HEAD, NAME
from tests.support.volumes import Volume, volume_in

SECTOR_BYTES = 512
_SERVER = Path(__file__).with_name("recording_server.py")


@dataclass(frozen=True)
class Act:
    """A write that reached the device, and when; or a flush, which has no bytes."""

    at_ns: int
    offset: int
    content: bytes
    is_flush: bool

    def sectors(self) -> Iterator[tuple[int, bytes]]:
        """Return what was written, a sector at a time, each with its place."""
        for start in range(0, len(self.content), SECTOR_BYTES):
            yield self.offset + start, self.content[start : start + SECTOR_BYTES]


@dataclass(frozen=True)
class Recording:
    """All that reached a device of a size. A moment is a number of acts."""

    size_bytes: int
    acts: tuple[Act, ...]

    @cached_property
    def flushes(self) -> tuple[int, ...]:
        """The moments just after each flush."""
        return tuple(number + 1 for number, act in enumerate(self.acts) if act.is_flush)

    def flushed_before(self, moment: int) -> int:
        """Return the moment up to which everything is on the medium for certain."""
        return max((each for each in self.flushes if each <= moment), default=0)

    def moment_at(self, at_ns: float) -> int:
        """Return the moment of a time of the system's clock, in nanoseconds since 1970."""
        return next((number for number, act in enumerate(self.acts) if act.at_ns > at_ns), len(self.acts))

    def flushes_around(self, moment: int) -> tuple[int, int]:
        """Return the moments of the last flush before a moment, and of the next one after it."""
        after = min((each for each in self.flushes if each >= moment), default=len(self.acts))
        return self.flushed_before(moment), after

    def image(self, moment: int) -> bytearray:
        """Return the device with everything up to a moment on it."""
        image = bytearray(self.size_bytes)
        self._apply(image, 0, moment)
        return image

    def _apply(self, image: bytearray, start: int, end: int) -> None:
        for act in self.acts[start:end]:
            image[act.offset : act.offset + len(act.content)] = act.content

    def later(self, image: bytearray, start: int, end: int) -> bytearray:
        """Return an image of one moment as it is at a later one."""
        grown = bytearray(image)
        self._apply(grown, start, end)
        return grown

    def cut(self, image: bytearray, moment: int, keep: float, dice: random.Random) -> bytearray:
        """Return what a power cut leaves: `image`, with all that was flushed, and some sectors more."""
        left = bytearray(image)
        for act in self.acts[self.flushed_before(moment) : moment]:
            for place, sector in act.sectors():
                if dice.random() < keep:
                    left[place : place + len(sector)] = sector
        return left


@dataclass(frozen=True)
class Recorder:
    """A drive that is being recorded."""

    drive: Volume
    log: Path

    def position(self) -> int:
        """Return how much has been recorded so far, for `read`."""
        return self.log.stat().st_size

    def read(self, *positions: int) -> tuple[Recording, tuple[int, ...]]:
        """Return the recording, and the moments that were at these positions."""
        recorded = self.log.read_bytes()
        acts, ends, place = [], {0: 0}, 0
        while place < len(recorded):
            kind, at_ns, offset, length = HEAD.unpack_from(recorded, place)
            place += HEAD.size + length
            acts.append(Act(at_ns, offset, recorded[place - length : place], kind == FLUSH))
            ends[place] = len(acts)
        recording = Recording(self.drive.image.stat().st_size, tuple(acts))
        return recording, tuple(ends[position] for position in positions)


@contextmanager
def recorder(folder: Path, kind: str, path: Path, size_mb: int) -> Iterator[Recorder]:
    """Make and mount, at `path`, a drive of a kind that is recorded from its first byte on."""
    need_fuse()
    served, backing, log = folder / "served", folder / "backing", folder / "log"
    served.mkdir(parents=True)
    log.touch()
    with backing.open("wb") as file:
        file.truncate(size_mb << 20)
    program = subprocess.Popen(
        [sys.executable, _SERVER, backing, served, log], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        wait_until_mounted(program, served)
        with volume_in(kind, served / NAME, path, new=True) as drive:
            yield Recorder(drive, log)
    finally:
        end_server(program, served)
