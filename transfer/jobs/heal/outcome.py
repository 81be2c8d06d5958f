"""What came of healing an archive: bag by bag, and the whole in one line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from manifests.bags.healings import Healing
from manifests.findings import Finding
from transfer.archive.healing import NotHealed
from transfer.errors import ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class HealedBag:
    """One bag: the files that were written again, and those that were not; `read` were read and hold.

    `tag_files` are entries and statements that are again what was written, `lists_written` whether its lists
    were written again from its entries.
    `findings` are what is wrong with it now, with whole paths; it `holds` without any.
    """

    path: Path
    read: int = 0
    healed: tuple[Healing, ...] = ()
    not_healed: tuple[NotHealed, ...] = ()
    lists_written: bool = False
    tag_files: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    complete: bool = True

    @property
    def holds(self) -> bool:
        """Whether the whole bag was read, and nothing is wrong with it any more."""
        return self.complete and not (self.not_healed or self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the bag as `--json` lists it."""
        return {
            "path": str(self.path),
            "holds": self.holds,
            "verified": self.read,
            "lists_written_again": self.lists_written,
            "tag_files_written_again": list(self.tag_files),
            "healed": [
                {"path": each.path, "was": each.wrong, "from": each.copy, "set_aside": each.set_aside or None}
                for each in self.healed
            ],
            "not_healed": [{"path": each.path, "why": each.why} for each in self.not_healed],
        }


@dataclass(frozen=True, slots=True)
class HealOutcome:
    """What one run did, to each bag in which damage was known; `stopped` is why it ended early."""

    archive: str
    donor: str
    bags: tuple[HealedBag, ...]
    findings: tuple[Finding, ...] = ()
    from_medium: bool = True
    stopped: str = ""

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: 0 where every bag holds now."""
        if self.stopped:
            return ExitCode.STOPPED_EARLY
        whole = all(bag.holds for bag in self.bags)
        return ExitCode.PROVEN if whole and not self.findings else ExitCode.SOMETHING_UNPROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        if not self.bags:
            return f"Nothing is known to be damaged in {self.archive}: no file was read, nothing written."
        healed = sum(len(bag.healed) for bag in self.bags)
        left = sum(len(bag.not_healed) for bag in self.bags)
        lists = sum(bag.lists_written or bool(bag.tag_files) for bag in self.bags)
        how = "read back and equal" if self.from_medium else "compared, but perhaps from memory"
        told = [f"{counted(healed, 'file')} written again from {self.donor}, {how}"] if healed else []
        told += [f"the lists of {counted(lists, 'bag')} written again"] if lists else []
        told += [f"{counted(left, 'file')} not healed"] if left else []
        if not told:
            told = ["Nothing had to be written"]
        whole = sum(bag.holds for bag in self.bags)
        line = f"{'; '.join(told)}. {whole} of {counted(len(self.bags), 'bag')} "
        line += "holds now." if whole == 1 else "hold now."
        return f"{line} Stopped early: {self.stopped}." if self.stopped else line

    @property
    def next_step(self) -> str:
        """Return what to do next."""
        if not self.bags:
            return "What is damaged is found by reading: nightferry check"
        if self.exit_code is ExitCode.PROVEN:
            return ""
        return "What is not healed is as damaged as before: heal from another archive, or file from a drive."

    def all_findings(self) -> list[Finding]:
        """Return every finding."""
        return [*(finding for bag in self.bags for finding in bag.findings), *self.findings]

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "heal",
            "exit": int(self.exit_code),
            "message": self.message,
            "archive": self.archive,
            "from": self.donor,
            "healed": sum(len(bag.healed) for bag in self.bags),
            "not_healed": sum(len(bag.not_healed) for bag in self.bags),
            "bags": [bag.as_json() for bag in self.bags],
            "findings": [finding.as_json() for finding in self.all_findings()],
        }
