"""How fast a drive takes files and gives them back: timed in each send, kept, and estimated from that."""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import NamedTuple

from transfer.engine.drive import OpenDrive
from transfer.engine.records import Records, Timed
from transfer.events import BytesDone, Event, Listener, Phase, PhaseBegan, PhaseEnded

# What a drive that was never measured is taken to reach.
_WRITE_BYTES_PER_S = 20e6
_READ_BYTES_PER_S = 40e6
# A send of less says how long a flush takes, not how fast the drive is.
TELLING_BYTES = 32_000_000


class RestsOn(StrEnum):
    """What an estimate is made from."""

    SENDS = "last sends"
    PREPARE = "prepare"
    GUESS = "guess"


class Pace(NamedTuple):
    """How fast a drive is expected to be, in bytes per second, flushed and read back, and what says so.

    `sends` is the number of sends that it rests on.
    """

    write_bytes_per_s: float
    read_bytes_per_s: float
    rests_on: RestsOn
    sends: int = 0

    def takes_s(self, write_bytes: int, read_bytes: int) -> float:
        """Return about how many seconds it takes to write and to read back so much."""
        return write_bytes / self.write_bytes_per_s + read_bytes / self.read_bytes_per_s


def pace_of(drive: OpenDrive, records: Records) -> Pace:
    """Return what is expected of a drive: by the last sends to it, else by what `prepare` measured."""
    sends = records.timed(drive.mark.id)
    write_s, read_s = sum(each.write_s for each in sends), sum(each.read_s for each in sends)
    written, read = sum(each.write_bytes for each in sends), sum(each.read_bytes for each in sends)
    if min(write_s, read_s, written, read) > 0:
        return Pace(written / write_s, read / read_s, RestsOn.SENDS, len(sends))
    measured = drive.mark.write_bytes_per_s
    return Pace(
        measured or _WRITE_BYTES_PER_S,
        drive.mark.read_bytes_per_s or _READ_BYTES_PER_S,
        RestsOn.PREPARE if measured else RestsOn.GUESS,
    )


class Stopwatch:
    """A listener that times copying (flushes included) and reading back, by label, and passes events on."""

    def __init__(self, listen: Listener, clock: Callable[[], float] = time.monotonic) -> None:
        self._listen = listen
        self._clock = clock
        self._began: dict[tuple[Phase, str], float] = {}
        self._took_s: defaultdict[tuple[Phase, str], float] = defaultdict(float)
        self._bytes: Counter[tuple[Phase, str]] = Counter()

    def __call__(self, event: Event) -> None:
        """Take one event."""
        if isinstance(event, PhaseBegan):
            self._began[event.phase, event.what] = self._clock()
        elif isinstance(event, BytesDone):
            self._bytes[event.phase, event.what] += event.size_bytes
        elif isinstance(event, PhaseEnded):
            began = self._began.pop((event.phase, event.what), None)
            if began is not None:
                self._took_s[event.phase, event.what] += self._clock() - began
        self._listen(event)

    def timed(self, labels: Iterable[str]) -> Timed | None:
        """Return what was timed under these labels; None where it was too little to judge a drive by."""
        names = list(labels)
        timed = Timed(
            sum(self._bytes[Phase.COPYING, label] for label in names),
            sum(self._took_s[Phase.COPYING, label] for label in names),
            sum(self._bytes[Phase.READING_BACK, label] for label in names),
            sum(self._took_s[Phase.READING_BACK, label] for label in names),
        )
        return timed if min(timed.write_bytes, timed.read_bytes) >= TELLING_BYTES else None
