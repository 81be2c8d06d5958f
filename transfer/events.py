"""What a job reports while it works. The command line turns these into progress, lines and receipts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """What is being done with the bytes."""

    LOOKING = "looking at the sources"
    COPYING = "copying"
    READING_BACK = "reading back"
    CHECKING = "checking"


@dataclass(frozen=True, slots=True)
class PhaseBegan:
    """A phase begins: `total_bytes` lie before it, for `what` (a night on a drive, a bag)."""

    phase: Phase
    what: str
    total_bytes: int


@dataclass(frozen=True, slots=True)
class BytesDone:
    """So many more bytes of a phase are done."""

    phase: Phase
    what: str
    count: int


@dataclass(frozen=True, slots=True)
class PhaseEnded:
    """A phase is over."""

    phase: Phase
    what: str


Event = PhaseBegan | BytesDone | PhaseEnded
Listener = Callable[[Event], None]


def nobody(event: Event) -> None:
    """Listen to nothing."""
