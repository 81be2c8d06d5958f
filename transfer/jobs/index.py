"""The job: build the archive's index again from its bags alone."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from manifests.index.frame_query import FrameQuery, Total
from manifests.index.frames import total
from manifests.index.holdings import bags
from manifests.index.opening import open_index
from manifests.index.rebuilding import BroughtUpToDate, rebuild
from manifests.index.schema import INDEX_NAME
from transfer.archive.whereabouts import faults_as_errors, is_an_archive, no_archive, not_there, on_network
from transfer.errors import ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class IndexOutcome:
    """The result of building the index: `files`, the total of the frames, and the bags that are absent."""

    root: Path
    report: BroughtUpToDate
    files: int
    total: Total
    absent_bags: tuple[str, ...]

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: not 0 where a bag's lists are not whole."""
        return ExitCode.SOMETHING_UNPROVEN if self.report.refreshed.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        frames, files = counted(self.total.frames, "frame"), counted(self.files, "file")
        bags_read = counted(self.report.refreshed.bags, "bag")
        return f"The index was built from {bags_read}: {frames} among {files}."

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        aside = self.report.set_aside
        return {
            "command": "index",
            "exit": int(self.exit_code),
            "message": self.message,
            "path": str(self.root / INDEX_NAME),
            "bags": self.report.refreshed.bags,
            "absent_bags": list(self.absent_bags),
            "files": self.files,
            "frames": self.total.frames,
            "hours": self.total.hours,
            "set_aside": None if aside is None else {"path": str(aside.path), "reason": aside.reason},
            "findings": [finding.as_json() for finding in self.report.refreshed.findings],
        }


def build_index(root: Path) -> IndexOutcome:
    """Build the index of the archive in a folder anew, and return what is in it.

    Raises NotThere, Busy, and NightferryError for an index of a newer version, which stays untouched, and
    for one that cannot be written.
    """
    with faults_as_errors(root):
        if not os.path.isdir(root):  # noqa: PTH112 - a Path's raises where a driver in user space has died
            raise not_there(root)
        if not (root / INDEX_NAME).exists() and not is_an_archive(root):
            raise no_archive(root)
        report = rebuild(root, on_network=on_network(root))
        with open_index(root / INDEX_NAME) as index:
            known = tuple(bags(index))
            return IndexOutcome(
                root=root,
                report=report,
                files=sum(bag.files for bag in known),
                total=total(index, FrameQuery()),
                absent_bags=tuple(bag.path for bag in known if bag.absent),
            )
