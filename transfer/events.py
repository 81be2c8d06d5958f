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
    MEASURING = "measuring"
    MOVING = "moving"
    THUMBNAILS = "thumbnails"
    PAGES = "pages"


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


class FileBegan(NamedTuple):
    """The turn of a file comes in a phase: its path, as a person knows it."""

    phase: Phase
    path: str


class PhaseEnded(NamedTuple):
    """A phase is over."""

    phase: Phase
    what: str


class CountBegan(NamedTuple):
    """A phase begins whose work is counted, not measured in bytes."""

    phase: Phase
    total: int


class CountDone(NamedTuple):
    """One more of what is counted in a phase is done."""

    phase: Phase


class Ahead(NamedTuple):
    """What a whole run carries, on all its drives; reported again when that changes.

    `write_bytes` are to be written and `read_bytes` to be read back, each at about so many bytes a second.
    `written` returns how many bytes the devices have taken since the run began, by the system's count;
    None where the system keeps none.
    """

    write_bytes: int
    read_bytes: int
    write_bytes_per_s: float
    read_bytes_per_s: float
    written: Callable[[], int | None]


class Waiting(NamedTuple):
    """The run waits, at most so long, for another one to end."""

    why: str
    at_most_s: float


class Skipped(NamedTuple):
    """Something that concerns this run only by its name is left alone: where it lies, and what it is not."""

    path: str
    why: str


class Noted(NamedTuple):
    """Something happened that a person who follows a night may want to read: a line."""

    line: str


Event = (
    PhaseBegan
    | BytesDone
    | FileBegan
    | PhaseEnded
    | CountBegan
    | CountDone
    | Ahead
    | Waiting
    | Skipped
    | Noted
)
Listener = Callable[[Event], None]


def nobody(event: Event) -> None:
    """Listen to nothing."""
