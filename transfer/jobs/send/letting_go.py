"""Let go of the drives of a run that proved everything, so that they may be pulled without looking."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from transfer.engine.medium import Medium
from transfer.jobs.send.outcome import SendOutcome


@dataclass(frozen=True, slots=True)
class Ejected:
    """What became of one drive: `why_not` is empty where the system let go of it."""

    drive: str
    place: str
    why_not: str = ""

    @property
    def line(self) -> str:
        """Say it to a person."""
        if not self.why_not:
            return f"The system has let go of {self.drive!r} ({self.place}): it may be pulled now."
        step = "Have the system let go of it (safe removal, unmount) before it is pulled."
        return f"The system did not let go of {self.drive!r} ({self.place}): {self.why_not}. {step}"

    def as_json(self) -> dict[str, Any]:
        """Return it as `--json` prints it."""
        return {
            "drive": self.drive,
            "path": self.place,
            "ejected": not self.why_not,
            "why_not": self.why_not,
        }


def let_go_of_drives(outcome: SendOutcome, medium: Medium) -> tuple[Ejected, ...]:
    """Let go of each drive of a run, in the system's own way; of none where something is not proven.

    What the system refuses changes nothing about the proof, so it is reported and not raised.
    """
    drives = dict.fromkeys((night.place, night.drive) for night in outcome.nights)
    return tuple(_let_go(place, drive, outcome, medium) for place, drive in drives)


def _let_go(place: str, drive: str, outcome: SendOutcome, medium: Medium) -> Ejected:
    if not outcome.safe_to_pull:
        return Ejected(drive, place, "not everything is proven, and a next run will want it")
    try:
        medium.eject(Path(place))
    except OSError as error:
        return Ejected(drive, place, error.strerror or str(error))
    return Ejected(drive, place)
