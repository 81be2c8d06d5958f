"""The result of laying out a target, which the screen, the tables and `--json` show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from manifests.findings import Finding
from manifests.frames.calibration.plan import Row
from manifests.frames.frame import FrameType
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode
from transfer.jobs.gather.archive_frames import ArchiveFrame
from transfer.words import counted


class How(StrEnum):
    """How a frame is in the folder."""

    HARD_LINK = "hard link"
    SYMBOLIC_LINK = "symbolic link"
    COPY = "copy"
    THERE_BEFORE = "there before"
    LINKED_BEFORE = "linked before"
    PLANNED = "would be laid out"


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A frame in the folder: its path there, the frame of the archive that it is, and how it got there."""

    path: str
    frame: ArchiveFrame
    how: How

    @property
    def shares_the_archives_file(self) -> bool:
        """Whether a program that writes into it changes the archive."""
        return self.how not in (How.COPY, How.THERE_BEFORE, How.PLANNED)

    def as_json(self) -> dict[str, Any]:
        """Return it as `--json` lists it."""
        return {
            "path": self.path,
            "from": self.frame.path,
            "type": self.frame.kind.value,
            "stage": self.frame.stage.value,
            "how": self.how.value,
        }


@dataclass(frozen=True, slots=True)
class GatherOutcome:
    """What one run laid out in `folder`, or would with `dry_run`, and what was matched to what.

    `targets` are the archive's names for `target`, and `how_named` says how it was found by what was written.
    `laid_out` has the lights first. `rows` has all answers, `failures` what could not be laid out, `remarks`
    what else deserves a look. `reasons` say why frames were copied instead of linked; `read_back` is the
    weakest evidence behind the copies' proofs, None where nothing was copied. `ended` says why a run ended
    early. `read_only`: no program of an ordinary user can write into a link's file. `links_because` says why
    links were made and not copies, where that was left open.
    """

    target: str
    how_named: str
    targets: tuple[str, ...]
    folder: Path | None
    laid_out: tuple[LaidOut, ...]
    rows: tuple[Row, ...]
    failures: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()
    reasons: tuple[str, ...] = ()
    read_back: ReadBack | None = None
    tables: tuple[str, ...] = ()
    ended: str = ""
    dry_run: bool = False
    read_only: bool = False
    links_because: str = ""

    @property
    def missing(self) -> list[Row]:
        """The rows of what is missing."""
        return [row for row in self.rows if row.missing]

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code."""
        if self.ended:
            return ExitCode.STOPPED_EARLY
        return ExitCode.SOMETHING_UNPROVEN if self.missing or self.failures else ExitCode.PROVEN

    @property
    def lights(self) -> list[LaidOut]:
        """The lights that lie in the folder."""
        return [each for each in self.laid_out if each.frame.kind is FrameType.LIGHT]

    @property
    def hours(self) -> float:
        """The lights' exposures in hours."""
        return sum(max(each.frame.setup.exposure_s or 0.0, 0.0) for each in self.lights) / 3600

    def count(self, *how: How) -> int:
        """Return how many frames are in the folder in one of these ways."""
        return sum(each.how in how for each in self.laid_out)

    @property
    def planned_bytes(self) -> int:
        """The size of the frames that would be laid out."""
        return sum(each.frame.row.size_bytes for each in self.laid_out if each.how is How.PLANNED)

    @property
    def summary(self) -> str:
        """Return one line on what is in the folder."""
        lights = f"{counted(len(self.lights), 'light')}, {self.hours:.1f} h"
        calibration = counted(len(self.laid_out) - len(self.lights), "calibration frame")
        return f"{self.target}: {lights}, and {calibration}"

    @property
    def message(self) -> str:
        """Return the result in one line."""
        lie = "would lie" if self.dry_run else "lie"
        text = f"{self.summary} {lie} in {self.folder or 'the folder'}"
        if self.ended:
            return f"Stopped early ({self.ended}). {text}."
        unmet = len(self.missing)
        wrong = [f"{counted(unmet, 'need')} {'is' if unmet == 1 else 'are'} not met"] if unmet else []
        wrong += [f"{counted(len(self.failures), 'finding')} to look at"] if self.failures else []
        return f"{text}; {' and '.join(wrong) or 'nothing is missing'}."

    @property
    def by_path(self) -> dict[str, LaidOut]:
        """What lies in the folder, by its paths below the archive."""
        return {each.frame.path: each for each in self.laid_out}

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        by_path = self.by_path
        rows = [row.as_json() | {"folders": folders_of(row.matched, by_path)} for row in self.rows]
        return {
            "command": "gather",
            "exit": int(self.exit_code),
            "message": self.message,
            "target": self.target,
            "targets": list(self.targets),
            "folder": None if self.folder is None else str(self.folder),
            "dry_run": self.dry_run,
            "hours": round(self.hours, 4),
            "matches": [row for row in rows if not row["missing"]],
            "missing": [row for row in rows if row["missing"]],
            "laid_out": [each.as_json() for each in self.laid_out],
            "planned_bytes": self.planned_bytes,
            "tables": list(self.tables),
            "read_back": None if self.read_back is None else self.read_back.value,
            "copied_because": list(self.reasons),
            "findings": [finding.as_json() for finding in (*self.failures, *self.remarks)],
        }


def folders_of(paths: tuple[str, ...], laid_out: Mapping[str, LaidOut]) -> list[str]:
    """Return the folders that hold these frames of the archive, each once."""
    places = (laid_out[path].path for path in paths if path in laid_out)
    return list(dict.fromkeys(place.rpartition("/")[0] for place in places))
