"""The job: build the archive's index again from its bags alone, or read only the logs in them anew."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from manifests.findings import Finding
from manifests.index.frame_query import FrameQuery, Total
from manifests.index.frames import total
from manifests.index.holdings import bags
from manifests.index.opening import open_index
from manifests.index.rebuilding import BroughtUpToDate, bring_up_to_date, rebuild
from manifests.index.refreshing import Refreshed
from manifests.index.schema import INDEX_NAME
from transfer.archive.logs import LogsRead, read_logs
from transfer.archive.whereabouts import faults_as_errors, on_network, require_archive
from transfer.config import Config
from transfer.config.described import LogDescriptions
from transfer.config.longitude import longitude_of
from transfer.errors import ConfigurationError, ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class IndexOutcome:
    """The result of building the index: `files`, the total of the frames, and the bags that are absent.

    `logs` is what the logs gave, None where the configuration describes none.
    """

    root: Path
    report: BroughtUpToDate
    files: int
    total: Total
    absent_bags: tuple[str, ...]
    logs: LogsRead | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What deserves a look, in bags and in logs."""
        return (*self.report.refreshed.findings, *(self.logs.findings if self.logs else ()))

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: not 0 where a bag's lists are not whole; a log is nobody's proof."""
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
            "logs": None if self.logs is None else self.logs.as_json(),
            "findings": [finding.as_json() for finding in self.findings],
        }


@dataclass(frozen=True, slots=True)
class LogsOutcome:
    """The result of reading the archive's logs by the present descriptions, where no run had done so yet."""

    root: Path
    refreshed: Refreshed
    logs: LogsRead

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What deserves a look, in bags and in logs."""
        return (*self.refreshed.findings, *self.logs.findings)

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: not 0 where a log or a bag's list could not be read, or not all of it."""
        return ExitCode.SOMETHING_UNPROVEN if self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        return self.logs.message

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "index",
            "exit": int(self.exit_code),
            "message": self.message,
            "path": str(self.root / INDEX_NAME),
            "logs": self.logs.as_json(),
            "findings": [finding.as_json() for finding in self.findings],
        }


def read_archive_logs(root: Path, config: Config, now: datetime) -> LogsOutcome:
    """Read the logs in an archive that were not read yet by the present descriptions.

    Raises ConfigurationError where there is no description, or one cannot be meant as it is written, and
    otherwise as `build_index` does.
    """
    descriptions = LogDescriptions(config)
    if not len(descriptions):
        step = "Write one below its source; `nightferry setup --logs FILE` proposes one."
        raise ConfigurationError("The configuration describes no logs", config.file, step)
    with faults_as_errors(root):
        require_archive(root)
        shared = on_network(root)
        refreshed = bring_up_to_date(root, on_network=shared).refreshed
        logs = read_logs(root, descriptions, longitude_of(config, now)[0], on_network=shared)
        return LogsOutcome(root, refreshed, logs)


def build_index(root: Path, config: Config | None = None, now: datetime | None = None) -> IndexOutcome:
    """Build the index of the archive in a folder anew, and return what is in it.

    The logs in it are read by the descriptions of `config`, where it has any.

    Raises NotThere, Busy, and NightferryError for an index of a newer version, which stays untouched, and
    for one that cannot be written.
    """
    descriptions = LogDescriptions(config) if config is not None else None
    with faults_as_errors(root):
        require_archive(root)
        shared, logs = on_network(root), None
        report = rebuild(root, on_network=shared)
        if config is not None and descriptions:
            longitude_deg, _ = longitude_of(config, now or datetime.now(UTC))
            logs = read_logs(root, descriptions, longitude_deg, on_network=shared)
        with open_index(root / INDEX_NAME) as index:
            known = tuple(bags(index))
            return IndexOutcome(
                root=root,
                report=report,
                files=sum(bag.files for bag in known),
                total=total(index, FrameQuery()),
                absent_bags=tuple(bag.path for bag in known if bag.absent),
                logs=logs,
            )
