"""What a job reports while it works. The command line turns these into progress, lines and receipts."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple


class Phase(StrEnum):
    """What is being done with the bytes."""

    LOOKING = "looking at the sources"
    COMPARING = "comparing"
    COPYING = "copying"
    FLUSHING = "flushing"
    READING_BACK = "reading back"
    CHECKING = "checking"
    FILING = "filing"
    CLEARING = "hashing again"


class PhaseBegan(NamedTuple):
    """A phase begins: `total_bytes` lie before it, for `what` (a night on a drive, a bag)."""

    phase: Phase
    what: str
    total_bytes: int


class BytesDone(NamedTuple):
    """So many more bytes of a phase are done."""

    phase: Phase
    what: str
    size_bytes: int


class PhaseEnded(NamedTuple):
    """A phase is over."""

    phase: Phase
    what: str


class WorkFound(NamedTuple):
    """So many more bytes lie before the whole run, each phase's counted; fewer where negative.

    A run that reports this reports the bytes of every phase.
    """

    size_bytes: int


class FileBegan(NamedTuple):
    """A file is read from now on."""

    path: str


class Waiting(NamedTuple):
    """The run waits, at most so long, for another one to end."""

    why: str
    at_most_s: float


class Skipped(NamedTuple):
    """Something that concerns this run only by its name is left alone: where it lies, and what it is not."""

    path: str
    why: str


Event = PhaseBegan | BytesDone | PhaseEnded | WorkFound | FileBegan | Waiting | Skipped
Listener = Callable[[Event], None]


def nobody(event: Event) -> None:
    """Listen to nothing."""
