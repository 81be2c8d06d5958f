"""A person's verdict on a night, put into the night's bag in the archive."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from manifests.findings import Finding
from manifests.index.frame_query import Between
from manifests.index.nights import nights
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from manifests.readings.verdicts import LONGEST_REASON, NightVerdict, Verdict
from transfer.archive.contents import brought_up_to_date
from transfer.archive.held import OpenArchive, held_archive, read_archive_mark
from transfer.archive.layout import owner_of_night
from transfer.archive.recovering import recover
from transfer.archive.shelf import Shelf
from transfer.archive.statements import add_statement
from transfer.archive.whereabouts import faults_as_errors, no_archive
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode

_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class MarkOutcome:
    """The verdict as it was kept, and in which bag; `findings` are about the archive's bags and its index."""

    root: Path
    said: NightVerdict
    bag: str
    findings: tuple[Finding, ...]

    @property
    def exit_code(self) -> ExitCode:
        """The verdict is kept, read back, whatever else deserves a look."""
        return ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Say in one line what was kept."""
        because = f": {self.said.because}" if self.said.because else ""
        return f"The night of {self.said.night} is marked {self.said.verdict}{because}."

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "mark",
            "exit": int(self.exit_code),
            "message": self.message,
            "night": self.said.night.isoformat(),
            "verdict": self.said.verdict.value,
            "because": self.said.because,
            "path": str(self.root / self.bag),
            "findings": [finding.as_json() for finding in self.findings],
        }


def mark(root: Path, night: date, verdict: Verdict, because: str, around: Surroundings) -> MarkOutcome:
    """Keep a verdict on a night of the archive in a folder; earlier verdicts stay, and the last one holds.

    Raises ConfigurationError where the archive has nothing of that night or the reason is too long, and
    NightferryError as filing does.
    """
    reason = " ".join("".join(char if char.isprintable() else " " for char in because).split())
    if len(reason) > LONGEST_REASON:
        raise ConfigurationError(f"The reason is longer than {LONGEST_REASON:,} characters")
    if read_archive_mark(root) is None:
        raise no_archive(root)
    said = NightVerdict(night, verdict, reason, around.clock())
    try:
        with held_archive(root, around, wait_s=_WAIT_S) as archive:
            findings = recover(archive, Shelf(archive))
            _require_known(archive, night)
            bag = add_statement(archive, owner_of_night(night), said.as_statement())
            findings += brought_up_to_date(archive.folder, on_network=archive.on_network)
    finally:
        let_rest([root])
    return MarkOutcome(root, said, bag, tuple(findings))


def _require_known(archive: OpenArchive, night: date) -> None:
    """Refuse a night of which the archive has neither frame nor log: most likely a slip of the date."""
    brought_up_to_date(archive.folder, on_network=archive.on_network)
    with faults_as_errors(archive.root), open_index(archive.root / INDEX_NAME) as index:
        if not any(nights(index, Between(night, night))):
            step = "A night is named by the date of its evening; `nightferry nights` lists them."
            raise ConfigurationError(f"The archive has nothing of the night of {night}", archive.root, step)
