"""`clear`: list what may go from the sources, and remove it when a person, or a command line, says so."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from manifests.findings import Finding, FindingKind
from transfer.archive.evidence import Evidence, archives_here, evidence_of
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.drive import OpenDrive, alone_on, find_drives
from transfer.engine.ledger import open_ledger
from transfer.engine.medium import PinnedFolder
from transfer.engine.reread import Reading, ToldToStop, close_read
from transfer.engine.resting import let_rest
from transfer.engine.sources import SourceFile, check_places, pinned_sources, walk
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, NightferryError, NotThere, StoppedEarly
from transfer.events import nobody
from transfer.jobs.clear.deleting import Removal
from transfer.jobs.clear.outcome import ClearOutcome
from transfer.jobs.clear.plan import Deciding


@dataclass(frozen=True, slots=True)
class ClearRun:
    """One run, its drives and sources held open, with the plan that was made of them.

    `unsigned` are the archives, for people, of which only acknowledgements without a signature are known.
    """

    outcome: ClearOutcome
    unsigned: tuple[str, ...]
    _config: Config
    _around: Surroundings
    _folders: dict[str, PinnedFolder]
    _evidence: Evidence

    def delete(self, records: Path) -> ClearOutcome:
        """Remove what may go. Raises NightferryError where the ledger cannot be had: nothing is removed."""
        around, planned = self._around, self.outcome
        failure: NightferryError | None = None
        with open_ledger(records, around.medium) as ledger:
            removal = Removal(self._folders, self._evidence.copies, ledger, around)
            try:
                removal.remove(each for night in planned.nights for each in night.may_go)
            except NightferryError as error:
                failure = error
        return ClearOutcome(
            nights=planned.nights,
            findings=planned.findings,
            removed=tuple(removal.removed),
            kept=tuple(removal.stays),
            cut_short=around.stop.why if len(removal.removed) + len(removal.stays) < planned.may_go else "",
            failure=failure,
        )


@contextmanager
def ready_to_clear(
    config: Config, around: Surroundings, *, hold: bool, believe_unsigned: bool = False
) -> Iterator[ClearRun]:
    """Look at the sources, the drives and the archive that are here, and decide on every file.

    `hold` keeps every other run off the drives until the context is left, since what they have counts.
    Raises ConfigurationError, NotThere, Busy and NightferryError.
    """
    if not config.sources:
        step = "Name the folders that may be cleared, each under [[source]]."
        raise ConfigurationError("The configuration names no source", config.file, step)
    with ExitStack() as held:
        drives = _drives(config, around, held, hold=hold)
        held.callback(let_rest, [drive.root for drive in drives])
        archives = archives_here(config, around, held)
        evidence = evidence_of(drives, archives, around, believe_unsigned=believe_unsigned)
        keep_out = [*(drive.root for drive in drives), *(archive.root for archive in archives)]
        folders = _sources(config, around, held)
        files, noticed = _files(config, folders, keep_out)
        deciding = Deciding(
            evidence=evidence,
            options=config.clear,
            now=around.clock(),
            longitude_deg=longitude_of(config, around.clock())[0],
            kinds={source.name: source.kind for source in config.sources},
            folders=folders,
            sha256_of=lambda file: _sha256_of(file, folders, around),
        )
        outcome = ClearOutcome(deciding.nights(files), (*evidence.findings, *noticed))
        yield ClearRun(outcome, evidence.unsigned_only, config, around, folders, evidence)


def _sha256_of(file: SourceFile, folders: Mapping[str, PinnedFolder], around: Surroundings) -> str:
    """Return what a source's file contains now. Raises OSError and StoppedEarly."""
    descriptor = folders[file.source].open_file(file.path)
    try:
        return Reading(around.stop, nobody, file.path).sha256(descriptor)
    except ToldToStop as error:
        raise StoppedEarly(f"Ended early ({around.stop.why}): nothing was deleted") from error
    finally:
        close_read(descriptor)


def _drives(config: Config, around: Surroundings, held: ExitStack, *, hold: bool) -> list[OpenDrive]:
    """Open the drives that are here; there may be none."""
    found, _ = find_drives(config.drives, around.medium, around.listen)
    drives = []
    for each in found:
        check_places(config.sources, each.root, config.file)
        drive = OpenDrive(each, around.medium)
        held.callback(drive.close)
        if hold:
            held.enter_context(alone_on(drive, around.medium))
        drives.append(drive)
    return drives


def _sources(config: Config, around: Surroundings, held: ExitStack) -> dict[str, PinnedFolder]:
    """Hold the sources' folders open. Raises NotThere where none is there."""
    folders = pinned_sources(config.sources, around.medium, held)
    if not folders:
        step = "Connect what they are on, or change the folders in [[source]]."
        raise NotThere("No source's folder is there", config.sources[0].folder, step)
    return folders


def _files(
    config: Config, folders: dict[str, PinnedFolder], keep_out: Iterable[Path]
) -> tuple[list[SourceFile], list[Finding]]:
    files: list[SourceFile] = []
    noticed: list[Finding] = []
    places = list(keep_out)
    for source in config.sources:
        if source.name not in folders:
            noticed.append(Finding(FindingKind.SOURCE_ABSENT, str(source.folder), source.name))
            continue
        for found in walk(source, places):
            if isinstance(found, SourceFile):
                files.append(found)
            else:
                noticed.append(Finding(found.kind, found.detail, f"{source.name}/{found.path}"))
    return files, noticed
