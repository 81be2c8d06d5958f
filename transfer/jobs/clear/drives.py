"""`clear --drive`: list the nights that may go from drives, and remove them when told to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import NamedTuple

from manifests.bags.list_sizes import ListTooLarge
from transfer.archive.evidence import archives_here, evidence_of
from transfer.archive.freeing import DriveNight, Freeable, Freeing
from transfer.config import Config
from transfer.engine.bag.durable import PART_ENDING, remove_if_there, write_durably
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
from transfer.engine.medium import drive_is_full
from transfer.engine.resting import let_rest
from transfer.engine.sources import check_places, pinned_sources
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError
from transfer.jobs.clear.outcome import ClearDriveOutcome
from transfer.words import counted

_BEGUN = "These may have left the drive since {}; others have them:"
_GONE = "Let go from this drive on {}, since others have it:"


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
        planned = self.outcome
        with open_ledger(records, self._around.medium) as ledger:
            freeing = Freeing(ledger, self._around)
            failure = self._let_go(planned.going, freeing)
        done = len(freeing.gone) + len(freeing.stays)
        return ClearDriveOutcome(
            nights=planned.nights,
            findings=planned.findings,
            removed=tuple(freeing.gone),
            kept=tuple(freeing.stays),
            cut_short=self._around.stop.why if done < planned.may_go else "",
            failure=failure,
        )

    def _let_go(self, going: Sequence[DriveNight], freeing: Freeing) -> NightferryError | None:
        """Remove nights, and have each drive's receipt say so; return what went wrong.

        A receipt says what is about to go before anything goes: it must be true wherever the run may be cut
        off.
        """
        now = f"{self._around.clock().astimezone(UTC):%Y-%m-%d at %H:%M UTC}"
        drives = {night.drive.root: night.drive for night in going}
        receipts: list[_Receipt] = []
        failure: NightferryError | None = None
        try:
            for drive in drives.values():
                receipts.append(_Receipt(drive, now))
                receipts[-1].say_before(going)
            freeing.free(going)
        except NightferryError as error:
            failure = error
        for receipt in receipts:
            try:
                receipt.say_after(freeing.gone, freeing.begun)
            except NightferryError as error:
                failure = failure or error
        return failure


class _Receipt:
    """A drive's receipt while nights leave the drive; one that is not there, or too large, is left alone.

    Its methods raise NightferryError.
    """

    def __init__(self, drive: OpenDrive, now: str) -> None:
        self._drive, self._now = drive, now
        self._lines = self._read()

    def _read(self) -> list[bytes]:
        try:
            return list(read_lines(self._drive.folder, RECEIPT_NAME))
        except ListTooLarge:
            return []
        except OSError as error:
            raise drive_failure(error, self._drive) from error

    def say_before(self, going: Iterable[DriveNight]) -> None:
        """Say which nights are about to go. A drive that is too full for that has no receipt meanwhile."""
        try:
            self._write(_About(_BEGUN.format(self._now), self._named(going)))
        except OSError as error:
            if not drive_is_full(error):
                raise drive_failure(error, self._drive) from error
            self._remove()

    def say_after(self, gone: Iterable[DriveNight], begun: Iterable[DriveNight]) -> None:
        """Say which nights have gone, and of which only a part has."""
        went = list(gone)
        left = [night for night in begun if night not in went]
        said = _About(_GONE.format(self._now), self._named(went))
        try:
            self._write(said, _About(_BEGUN.format(self._now), self._named(left)))
        except OSError as error:
            raise drive_failure(error, self._drive) from error

    def _named(self, nights: Iterable[DriveNight]) -> list[str]:
        own = (night for night in nights if night.drive.root == self._drive.root)
        return sorted(f"  {night.night}, {counted(night.file_count, 'file')}" for night in own)

    def _write(self, *told: _About) -> None:
        """Write what is told below the receipt's first lines, which say of what time they are."""
        if not self._lines:
            return
        noted = [line for said, nights in told if nights for line in ("", said, *nights)]
        new = [f"{line}\n".encode() for line in noted]
        rule = (at for at, line in enumerate(self._lines, 1) if set(line.strip()) == set(b"="))
        below = next(rule, 2)
        content = b"".join([*self._lines[:below], *new, *self._lines[below:]])
        write_durably(self._drive.folder, RECEIPT_NAME, content)

    def _remove(self) -> None:
        folder = self._drive.folder
        try:
            remove_if_there(folder, RECEIPT_NAME + PART_ENDING)
            remove_if_there(folder, RECEIPT_NAME)
            folder.flush_folders([""])
        except OSError as error:
            raise drive_failure(error, self._drive) from error


class _About(NamedTuple):
    said: str
    nights: list[str]


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
