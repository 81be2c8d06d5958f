"""What came of checking: bag by bag, and the whole in one line."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from manifests.bags.verify import Verification
from manifests.findings import Finding
from transfer.engine.medium import Evidence, ReadBack
from transfer.errors import ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class CheckedBag:
    """One checked bag; `evidence` says where it was read from, None where it was not read.

    `drive_left`: the bag's folder was gone before the check was done.
    """

    verification: Verification
    evidence: Evidence | None = None
    drive_left: bool = False
    files_read: int = 0
    not_kept: tuple[Finding, ...] = ()

    def and_then(self, later: CheckedBag) -> CheckedBag:
        """Return what two checks of the same bag gave, each of other files."""
        first, second = self.verification, later.verification
        both = replace(
            first,
            verified=first.verified + second.verified,
            bytes_verified=first.bytes_verified + second.bytes_verified,
            findings=tuple(dict.fromkeys((*first.findings, *second.findings))),
        )
        not_kept = tuple(dict.fromkeys((*self.not_kept, *later.not_kept)))
        evidence = self.evidence if later.from_medium or later.evidence is None else later.evidence
        return replace(
            later,
            verification=both,
            evidence=evidence,
            files_read=self.files_read + later.files_read,
            not_kept=not_kept,
        )

    def ended(self, *, complete: bool) -> CheckedBag:
        """Return the bag as one that was read as far as was asked for, or that the run's end came before."""
        return replace(self, verification=replace(self.verification, complete=complete))

    @property
    def from_medium(self) -> bool:
        """Whether all that was read of the bag came from the medium."""
        return self.evidence is not None and self.evidence.read_back is ReadBack.MEDIUM

    def findings(self) -> list[Finding]:
        """Return the bag's findings with whole paths."""
        folder = self.verification.path
        return [replace(finding, path=str(folder / finding.path)) for finding in self.verification.findings]

    def as_json(self) -> dict[str, Any]:
        """Return the bag as `--json` lists it."""
        told = self.verification.as_json()
        if self.evidence is not None:
            told |= {"read_back": self.evidence.read_back.value, "read_back_how": self.evidence.method}
        return told


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """The result of checking some paths.

    `not_there` are paths that do not exist or cannot be reached, `without_bag` those with no bag at, below
    or around them. `findings` are about folders on the way to bags; each bag's own are in `bags`.
    `being_let_go` are nights on drives that a run has begun to let go: what is missing there is no damage.
    `stopped_early`: there is more at these paths than was looked at. Of archives that are read in small
    pieces, `not_due` files were proven lately enough, and `still_due` are left for the next run.
    """

    quick: bool
    bags: tuple[CheckedBag, ...]
    not_there: tuple[Path, ...] = ()
    without_bag: tuple[Path, ...] = ()
    findings: tuple[Finding, ...] = ()
    being_let_go: tuple[Path, ...] = ()
    stopped_early: bool = False
    not_due: int | None = None
    still_due: int = 0

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code. A bag that is not whole counts more than a path that is not there."""
        if self.stopped_early:
            return ExitCode.STOPPED_EARLY
        if not all(bag.verification.holds for bag in self.bags):
            return ExitCode.SOMETHING_UNPROVEN
        if self.not_there or self.without_bag:
            return ExitCode.NOT_THERE
        # What cannot be written down is read over and over where an archive is read in small pieces.
        goes_round = self.not_due is not None and any(bag.not_kept for bag in self.bags)
        return ExitCode.SOMETHING_UNPROVEN if self.findings or goes_round else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        if self.exit_code is ExitCode.STOPPED_EARLY:
            return f"Stopped early; {self._counted} so far."
        if self.exit_code is ExitCode.NOT_THERE:
            gone = [f"{path} is not there" for path in self.not_there]
            return "; ".join(gone + [_no_bag(path) for path in self.without_bag]) + "."
        if self.exit_code is ExitCode.SOMETHING_UNPROVEN:
            return f"{self._counted}; {counted(len(self.all_findings()), 'finding')} to look at.{self._due}"
        return f"{self._counted}; nothing is missing or different.{self._due}"

    @property
    def _due(self) -> str:
        if self.not_due is None:
            return ""
        still = f" Time is over; left for the next run: {counted(self.still_due, 'file')}."
        lately = (
            f" Proven lately enough, and not read: {counted(self.not_due, 'file')}; their bags' lists were."
        )
        return f"{still if self.still_due else ''}{lately if self.not_due else ''}"

    @property
    def _counted(self) -> str:
        bags = counted(len(self.bags), "bag")
        if self.quick:
            agreed = counted(sum(bag.verification.agreed for bag in self.bags), "file")
            return f"Quick check, nothing was read: {agreed} in {bags} as large and as old as listed"
        files = counted(sum(bag.verification.verified for bag in self.bags), "file")
        if any(each.evidence is not None and not each.from_medium for each in self.bags):
            return f"{files} in {bags} compared, but perhaps from memory"
        return f"{files} in {bags} proven"

    def all_findings(self) -> list[Finding]:
        """Return every finding, with whole paths."""
        found = list(self.findings)
        for bag in self.bags:
            found += [*bag.findings(), *bag.not_kept]
        return found

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "check",
            "exit": int(self.exit_code),
            "message": self.message,
            "quick": self.quick,
            "bags": [bag.as_json() for bag in self.bags],
            "not_there": [str(path) for path in self.not_there],
            "without_bag": [str(path) for path in self.without_bag],
            "being_let_go": [str(path) for path in self.being_let_go],
            "not_due": self.not_due,
            "still_due": self.still_due,
            "findings": [finding.as_json() for finding in self.all_findings()],
        }


def _no_bag(path: Path) -> str:
    """Say that there is no bag; an empty folder is most often a mount point without its drive."""
    try:
        is_empty = path.is_dir() and next(path.iterdir(), None) is None
    except OSError:
        return f"{path} cannot be looked into: connect its drive again"
    if is_empty:
        return f"{path} is an empty folder: is its drive connected and mounted?"
    return f"no bag at or below {path}"
