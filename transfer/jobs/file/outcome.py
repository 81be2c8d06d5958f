"""What a run of `file` did: plain facts that the screen and `--json` tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.frames.names.places import SameField
from manifests.frames.names.targets import TargetName
from transfer.archive.mark import ArchiveMark
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode
from transfer.jobs.file.account import DeliveryResult, Sum


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What one run did, or with `dry_run` would do.

    `deliveries` are the bags and folders that were filed, in order; `findings` are of the archive and of
    places that could not be looked at; `readings` say what names in headers were read as, where that is
    another name. `from_medium`: every proof is a read of the medium, as far as the system can tell.
    """

    exit_code: ExitCode
    message: str
    next_step: str = ""
    archive_folder: str = ""
    archive: ArchiveMark | None = None
    deliveries: tuple[DeliveryResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    readings: dict[str, TargetName] = field(default_factory=dict)
    same_fields: tuple[SameField, ...] = ()
    from_medium: bool = True
    dry_run: bool = False

    @property
    def filed(self) -> int:
        """How many files are in the archive that were not before."""
        return sum(delivery.filed for delivery in self.deliveries)

    @property
    def already_there(self) -> int:
        """How many were there before."""
        return sum(delivery.already_there for delivery in self.deliveries)

    @property
    def refused(self) -> int:
        """How many are not filed."""
        return sum(delivery.refused for delivery in self.deliveries)

    @property
    def would_be_filed(self) -> int:
        """How many a run without `dry_run` would file."""
        return sum(delivery.would_be_filed for delivery in self.deliveries)

    @property
    def _read_back(self) -> str | None:
        """Where the weakest proof of this run was read from; None where nothing was filed."""
        if not self.filed:
            return None
        return (ReadBack.MEDIUM if self.from_medium else ReadBack.PERHAPS_MEMORY).value

    def sums(self) -> dict[str, Sum]:
        """Return what went to each folder of the archive, by its path there."""
        added: dict[str, Sum] = {}
        for delivery in self.deliveries:
            for where, part in delivery.sums.items():
                added[where] = added.get(where, Sum()).plus(part)
        return dict(sorted(added.items()))

    def all_findings(self) -> list[Finding]:
        """Return every finding once: what is wrong first."""
        found: list[Finding] = []
        for delivery in self.deliveries:
            found += [*delivery.faults, *delivery.findings]
        return list(dict.fromkeys([*found, *self.findings, *map(_shared, self.same_fields)]))

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        told: dict[str, Any] = {
            "command": "file",
            "exit": int(self.exit_code),
            "message": self.message,
            "dry_run": self.dry_run,
            "archive": {
                "folder": self.archive_folder,
                "id": None if self.archive is None else self.archive.id,
            },
            "filed": self.filed,
            "already_there": self.already_there,
            "refused": self.refused,
            "read_back": self._read_back,
            "deliveries": [_delivery_json(delivery) for delivery in self.deliveries],
            "files": [told for delivery in self.deliveries for told in _files_json(delivery)],
            "names": [
                {"written": written, "target": reading.canonical, "how": reading.how}
                for written, reading in sorted(self.readings.items())
            ],
            "findings": [finding.as_json() for finding in self.all_findings()],
        }
        return told | ({"would_be_filed": self.would_be_filed} if self.dry_run else {})


def _delivery_json(result: DeliveryResult) -> dict[str, Any]:
    delivery = result.delivery
    return {
        "path": str(delivery.root),
        "drive": delivery.drive_name or None,
        "filed": result.filed,
        "filed_bytes": result.filed_bytes,
        "already_there": result.already_there,
        "refused": result.refused,
        "acknowledged": result.acknowledged,
        "not_acknowledged_because": result.unanswered or None,
    }


def _files_json(result: DeliveryResult) -> Iterable[dict[str, Any]]:
    for told in result.files:
        yield {"path": told.path, "to": told.to or None, "state": told.state.value}


def _shared(pair: SameField) -> Finding:
    detail = (
        f"{pair.first.name} and {pair.second.name} are {pair.separation_deg:.2f}° apart: where they are one, "
        "say so under [targets]"
    )
    return Finding(FindingKind.SAME_FIELD, detail, pair.first.name)
