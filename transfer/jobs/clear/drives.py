"""`clear --drive`: list the nights that may go from drives, and remove them when told to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

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
from transfer.engine.resting import let_rest
from transfer.engine.sources import check_places, pinned_sources
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError
from transfer.jobs.clear.outcome import ClearDriveOutcome
from transfer.words import counted


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
            removed=tuple(freeing.gone),
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
