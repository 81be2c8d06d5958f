"""What a run of `file` did: plain facts that the screen and `--json` tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.frames.names.places import SameField
from manifests.frames.names.targets import TargetName
from transfer.archive.held import ArchiveAway
from transfer.archive.mark import ArchiveMark
from transfer.engine.medium import ReadBack
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.file.account import DeliveryResult, Sum


@dataclass(frozen=True, slots=True)
class ArchiveOutcome:
    """What one run did, or would do, to one archive.

    `deliveries` are the bags and folders that were filed, in order; `findings` are of the archive itself.
    `from_medium`: every proof is a read of the medium, as far as the system can tell.
    """

    name: str
    folder: str
    exit_code: ExitCode
    message: str
    next_step: str = ""
    mark: ArchiveMark | None = None
    deliveries: tuple[DeliveryResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    from_medium: bool = True

    @property
    def is_done(self) -> bool:
        """Whether every file of every delivery is in this archive."""
        return self.exit_code is ExitCode.PROVEN and all(result.whole for result in self.deliveries)

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
    def read_back(self) -> str | None:
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

    def as_json(self) -> dict[str, Any]:
        """Return the archive as `--json` lists it."""
        return {
            "name": self.name,
            "folder": self.folder,
            "id": None if self.mark is None else self.mark.id,
            "exit": int(self.exit_code),
            "message": self.message,
            "filed": self.filed,
            "already_there": self.already_there,
            "refused": self.refused,
            "read_back": self.read_back,
            "deliveries": [_delivery_json(delivery) for delivery in self.deliveries],
        }


class Absent(NamedTuple):
    """An archive of the configuration that nothing was filed into, and why.

    `is_away`: its disk or share is not here, which is no fault. Else something is wrong with it.
    """

    name: str
    folder: str
    error: NightferryError

    @property
    def is_away(self) -> bool:
        """Whether it is not here."""
        return isinstance(self.error, ArchiveAway)


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What one run did, or with `dry_run` would do.

    `archives` are those that were here, in the configuration's order, `absent` the others. `findings` are of
    the archives and of places that could not be looked at; `readings` say what names in headers were read as,
    where that is another name.
    """

    exit_code: ExitCode
    message: str
    next_step: str = ""
    archive_folder: str = ""
    archives: tuple[ArchiveOutcome, ...] = ()
    absent: tuple[Absent, ...] = ()
    findings: tuple[Finding, ...] = ()
    readings: dict[str, TargetName] = field(default_factory=dict)
    same_fields: tuple[SameField, ...] = ()
    dry_run: bool = False

    @property
    def archive(self) -> ArchiveMark | None:
        """The mark of the first archive that is here."""
        return self.archives[0].mark if self.archives else None

    @property
    def deliveries(self) -> tuple[DeliveryResult, ...]:
        """What became of each delivery in the first archive that is here."""
        return self.archives[0].deliveries if self.archives else ()

    @property
    def filed(self) -> int:
        """How many files are in the first archive that were not before."""
        return self.archives[0].filed if self.archives else 0

    @property
    def already_there(self) -> int:
        """How many were there before."""
        return self.archives[0].already_there if self.archives else 0

    @property
    def refused(self) -> int:
        """How many are not filed in the archive that lacks the most of them."""
        return max((archive.refused for archive in self.archives), default=0)

    @property
    def would_be_filed(self) -> int:
        """How many a run without `dry_run` would file there."""
        return self.archives[0].would_be_filed if self.archives else 0

    @property
    def from_medium(self) -> bool:
        """Whether every proof is a read of the medium, as far as the system can tell."""
        return all(archive.from_medium for archive in self.archives)

    def all_findings(self) -> list[Finding]:
        """Return every finding once: what is wrong first."""
        found: list[Finding] = []
        for archive in self.archives:
            for delivery in archive.deliveries:
                found += [*delivery.faults, *delivery.findings]
        return list(dict.fromkeys([*found, *self.findings, *map(_shared, self.same_fields)]))

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it: all counts but `refused` are the first archive's."""
        first = self.archives[0] if self.archives else None
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
            "read_back": None if first is None else first.read_back,
            "deliveries": [_delivery_json(delivery) for delivery in self.deliveries],
            "files": [told for delivery in self.deliveries for told in _files_json(delivery)],
            "archives": [archive.as_json() for archive in self.archives],
            "archives_absent": [
                {"name": each.name, "folder": each.folder, "why": str(each.error)} for each in self.absent
            ],
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
