"""`clear --drive`: list the nights that may go from drives, and remove them when told to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from manifests.findings import Finding
from transfer.archive.evidence import archives_here, evidence_of
from transfer.archive.freeing import DriveNight, Freeable, Freeing
from transfer.config import Config
from transfer.engine.bag.durable import write_durably
from transfer.engine.bag.lines import read_lines
from transfer.engine.drive import (
    RECEIPT_NAME,
    FoundDrive,
    OpenDrive,
    alone_on,
    drive_at,
    drive_failure,
    drives_to_use,
    find_drives,
    once,
)
from transfer.engine.ledger import open_ledger
from transfer.engine.reread import Stays
from transfer.engine.resting import let_rest
from transfer.engine.sources import check_places, pinned_sources
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode, NightferryError
from transfer.jobs.clear.outcome import not_deleted, stays_told
from transfer.words import counted, size_told, staying


@dataclass(frozen=True, slots=True)
class ClearDriveOutcome:
    """How a run ended. `gone` is None where nothing was to be removed: the list alone was asked for.

    `nights` are as they were planned; `kept` were to go and stayed, `cut_short` says why the run ended
    early, `failure` is what ended it.
    """

    nights: tuple[DriveNight, ...]
    findings: tuple[Finding, ...] = ()
    gone: tuple[DriveNight, ...] | None = None
    kept: tuple[Stays, ...] = ()
    cut_short: str = ""
    failure: NightferryError | None = None

    @property
    def is_list(self) -> bool:
        """Whether nothing was to be removed."""
        return self.gone is None

    @property
    def going(self) -> tuple[DriveNight, ...]:
        """The nights that may go, before any was removed."""
        return tuple(night for night in self.nights if night.may_go)

    @property
    def may_go(self) -> int:
        """How many nights that are."""
        return len(self.going)

    def state_of(self, night: DriveNight) -> str:
        """Return in a word or two what became of a night, or would."""
        if self.gone is not None and night in self.gone:
            return "deleted"
        return "may go" if night.may_go and self.gone is None else "stays"

    @property
    def exit_code(self) -> ExitCode:
        """0 where all went that may go, or only the list was asked for; 1 where something is in doubt."""
        if self.failure is not None:
            return self.failure.exit_code
        if self.cut_short:
            return ExitCode.STOPPED_EARLY
        return ExitCode.SOMETHING_UNPROVEN if self.kept or self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """The outcome in one line."""
        stay = len(self.nights) - self.may_go
        if self.gone is None:
            return f"{told(self.going)} may go from drives; {staying(stay, 'night')}."
        stayed = stays_told(stay + len(self.kept), "night", after_all=len(self.kept))
        said = f"Deleted {told(self.gone)} from drives; {stayed}."
        if self.failure is not None:
            return f"{said} {self.failure}"
        return f"Ended early ({self.cut_short}). {said}" if self.cut_short else said

    def as_json(self) -> dict[str, Any]:
        """Return what `--json` prints."""
        gone = self.gone or ()
        return {
            "command": "clear",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [self._night(night) for night in self.nights],
            "deleted": sum(len(night.files) for night in gone),
            "deleted_bytes": sum(night.size_bytes for night in gone),
            "findings": [each.as_json() for each in (*not_deleted(self.kept), *self.findings)],
        }

    def _night(self, night: DriveNight) -> dict[str, Any]:
        stays = [*night.stays, *(each for each in self.kept if each.path == night.shown)]
        return {
            "night": night.night.isoformat(),
            "drive": night.drive.name,
            "folder": night.folder,
            "files": night.file_count,
            "bytes": night.size_bytes,
            "may_go": night.file_count if night.may_go else 0,
            "may_go_bytes": night.size_bytes if night.may_go else 0,
            "stays": [{"path": each.path, "why": each.why} for each in stays],
        }


def told(nights: tuple[DriveNight, ...]) -> str:
    """Return nights in words, with their files and their size."""
    files = counted(sum(night.file_count for night in nights), "file")
    size = size_told(sum(night.size_bytes for night in nights))
    return f"{counted(len(nights), 'night')} ({files}, {size})"


@dataclass(frozen=True, slots=True)
class ClearDriveRun:
    """One run, its drives held open, with the plan that was made of them.

    `unsigned` are the archives, for people, of which only acknowledgements without a signature are known.
    """

    outcome: ClearDriveOutcome
    unsigned: tuple[str, ...]
    _around: Surroundings

    def delete(self, records: Path) -> ClearDriveOutcome:
        """Remove what may go. Raises NightferryError where the ledger cannot be had: nothing is removed."""
        planned, failure = self.outcome, None
        with open_ledger(records, self._around.medium) as ledger:
            freeing = Freeing(ledger, self._around)
            try:
                freeing.free(planned.going)
                self._note_on_drives(freeing.gone)
            except NightferryError as error:
                failure = error
            except OSError as error:
                failure = drive_failure(error, freeing.gone[-1].drive)
        done = len(freeing.gone) + len(freeing.stays)
        return ClearDriveOutcome(
            nights=planned.nights,
            findings=planned.findings,
            gone=tuple(freeing.gone),
            kept=tuple(freeing.stays),
            cut_short=self._around.stop.why if done < planned.may_go else "",
            failure=failure,
        )

    def _note_on_drives(self, gone: Sequence[DriveNight]) -> None:
        """Have each drive's receipt say which nights have left it. Raises OSError and NightferryError."""
        now = f"{self._around.clock().astimezone(UTC):%Y-%m-%d at %H:%M UTC}"
        for drive in {night.drive.root: night.drive for night in gone}.values():
            lines = list(read_lines(drive.folder, RECEIPT_NAME))
            nights = [_named(night) for night in gone if night.drive.root == drive.root]
            noted = ["", f"Let go from this drive on {now}, since others have it:", *sorted(nights)]
            new = [f"{line}\n".encode() for line in noted]
            if lines:
                write_durably(drive.folder, RECEIPT_NAME, b"".join([*lines[:2], *new, *lines[2:]]))


def _named(night: DriveNight) -> str:
    return f"  {night.night}, {counted(night.file_count, 'file')}"


@contextmanager
def ready_to_clear_drives(
    config: Config, around: Surroundings, path: Path | None, *, hold: bool, believe_unsigned: bool = False
) -> Iterator[ClearDriveRun]:
    """Look at the drives, or at the one at `path`, and decide on every night that they have.

    Other drives of the configuration that are here count as places. `hold` keeps every other run off all of
    them until the context is left. Raises ConfigurationError, NotThere, Busy and NightferryError.
    """
    with ExitStack() as held:
        asked = [drive_at(path)] if path is not None else _configured(config, around)
        found = once([*asked, *find_drives(config.drives, around.medium)[0]])
        drives = [_opened(each, config, around, held, hold=hold) for each in found]
        held.callback(let_rest, [drive.root for drive in drives])
        archives = archives_here(config, around, held)
        evidence = evidence_of(drives, archives, around, believe_unsigned=believe_unsigned)
        freeable = Freeable(
            evidence=evidence,
            options=config.clear,
            now=around.clock(),
            archives=frozenset(archive.mark.id for archive in archives),
            folders=pinned_sources(config.sources, around.medium, held),
        )
        unsigned = evidence.unsigned_only
        wanted = drives[: len(once(asked))]
        try:
            outcome = ClearDriveOutcome(freeable.nights(wanted), tuple(evidence.findings))
        except OSError as error:
            raise drive_failure(error, wanted[0]) from error
        yield ClearDriveRun(outcome, unsigned, around)


def _configured(config: Config, around: Surroundings) -> list[FoundDrive]:
    return drives_to_use(config.drives, (), around.medium, around.listen)[0]


def _opened(
    found: FoundDrive, config: Config, around: Surroundings, held: ExitStack, *, hold: bool
) -> OpenDrive:
    check_places(config.sources, found.root, config.file)
    drive = OpenDrive(found, around.medium)
    held.callback(drive.close)
    if hold:
        held.enter_context(alone_on(drive, around.medium))
    return drive
