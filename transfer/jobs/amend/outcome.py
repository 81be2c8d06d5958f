"""What a run of `amend` did: plain facts that the screen and `--json` tell."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from manifests.bags.entries import Entry
from manifests.findings import Finding
from transfer.errors import ExitCode, NightferryError
from transfer.words import counted


class State(StrEnum):
    """What became of one frame."""

    AMENDED = "amended"
    AS_IT_WAS = "as it was"
    NOT_AMENDED = "not amended"
    WOULD_BE = "would be amended"
    GONE = "taken out of its bag"
    FOUND = "listed where it lies now"
    WOULD_BE_GONE = "would be taken out of its bag"


_BY_HAND = (State.GONE, State.FOUND, State.WOULD_BE_GONE)
_DONE = (State.AMENDED, State.GONE, State.FOUND, State.WOULD_BE, State.WOULD_BE_GONE)


@dataclass(frozen=True, slots=True)
class FrameResult:
    """One frame: where it was and where it is (or would be), below the archive, and its entry there."""

    path: str
    to: str
    entry: Entry
    state: State

    @property
    def is_moved(self) -> bool:
        """Whether it lies (or would lie) at another place than before."""
        return self.path != self.to

    def as_json(self) -> dict[str, Any]:
        """Return the frame as `--json` lists it."""
        entry = self.entry
        return {
            "path": self.path,
            "to": self.to or None,
            "state": self.state.value,
            "target": entry.target,
            "filter": entry.filter,
            "type": None if entry.frame is None else entry.frame.frame_type,
            "night": entry.night.isoformat(),
            "in_use": entry.in_use,
            "sha256": entry.digests.sha256,
        }


@dataclass(frozen=True, slots=True)
class AmendOutcome:
    """What a run did; with `dry_run`, what it would do.

    `refused` say why frames were not amended, `findings` are about the archive. `failure` ended the run
    before its time, and `stopped` says that somebody asked it to end. `from_medium`: every copy was read
    back from the medium, as far as the system can tell.
    """

    root: Path
    frames: tuple[FrameResult, ...]
    refused: tuple[Finding, ...] = ()
    findings: tuple[Finding, ...] = ()
    failure: NightferryError | None = None
    stopped: str = ""
    from_medium: bool = True
    dry_run: bool = False

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: 0 only where all that was asked for is done."""
        if self.failure is not None:
            return self.failure.exit_code
        if self.stopped:
            return ExitCode.STOPPED_EARLY
        return ExitCode.SOMETHING_UNPROVEN if self.refused else ExitCode.PROVEN

    @property
    def done(self) -> tuple[FrameResult, ...]:
        """The frames that were amended, or would be."""
        return tuple(frame for frame in self.frames if frame.state in _DONE)

    @property
    def moved(self) -> tuple[FrameResult, ...]:
        """Those of them that lie at another place now, or would."""
        return tuple(frame for frame in self.done if frame.to and frame.is_moved)

    @property
    def message(self) -> str:
        """Return in one line what was done, and what ended it."""
        ended = f" {self.failure.happened}." if self.failure is not None else ""
        ended = ended or (f" Ended early: {self.stopped}." if self.stopped else "")
        return f"{'; '.join(self._counts())}.{ended}"

    def _counts(self) -> list[str]:
        by_state = {state: [frame for frame in self.frames if frame.state is state] for state in State}
        told = [
            f"{counted(len(frames), 'file' if state in _BY_HAND else 'frame')} {state}"
            for state, frames in by_state.items()
            if frames
        ]
        if self.moved:
            proof = (
                "read back from the medium and equal" if self.from_medium else "compared, perhaps from memory"
            )
            done = "would move" if self.dry_run else f"moved, {proof}"
            told.append(f"{len(self.moved):,} of them {done}")
        if self.refused:
            told.append(f"{len(self.refused):,} to look at")
        return [*(("Nothing was written",) if self.dry_run else ()), *(told or ["Nothing was changed"])]

    @property
    def next_step(self) -> str:
        """Return what to do next; empty where there is nothing."""
        if self.failure is not None:
            return self.failure.next_step
        if self.stopped:
            return "Say it again: what is amended stays so, and the rest is amended."
        unused = any(not frame.entry.in_use for frame in self.done)
        if not self.dry_run and (self.moved or unused):
            return "Folders that gather laid out before keep what they have: gather again."
        return ""

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "amend",
            "exit": int(self.exit_code),
            "message": self.message,
            "dry_run": self.dry_run,
            "archive": str(self.root),
            "amended": len(self.done),
            "moved": len(self.moved),
            "frames": [frame.as_json() for frame in self.frames],
            "findings": [finding.as_json() for finding in (*self.refused, *self.findings)],
        }
