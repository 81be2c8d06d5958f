"""The job: for each night and target, where its files are, and when each place was last proven."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, NamedTuple

from manifests.bags.entries import Entry, EntryError
from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag
from transfer.archive.evidence import nights_on
from transfer.archive.held import OpenArchive, looked_at_archive, read_archive_mark
from transfer.archive.layout import CALIBRATION, NIGHTS
from transfer.archive.proofs import KeptProofs
from transfer.config import Archive, Config
from transfer.engine.bag.listed import ListedBag
from transfer.engine.drive import OpenDrive, find_drives
from transfer.engine.sizes import Sizes
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, ExitCode, NotThere
from transfer.words import counted

NOT_FILED = "(not filed yet)"


class Place(NamedTuple):
    """An archive or a drive that is here: `kind` is "archive" or "drive", `name` what people call it.

    `folder` tells two of one name apart, and two of one mark: a drive, or an archive, may have been copied.
    """

    kind: str
    name: str
    folder: Path

    def label(self, places: Iterable[Place]) -> str:
        """Return its name, with its folder where others of these places have that name as well."""
        is_one = sum(place.name == self.name for place in places) == 1
        return self.name if is_one else f"{self.name} at {self.folder}"


@dataclass(frozen=True, slots=True)
class InPlace:
    """What a place has of some files: how many, how many known to be damaged, and since when all are proven.

    `proven_utc` is the oldest of the files' last proofs; None where one has none, and on a drive.
    """

    files: int
    damaged: int = 0
    proven_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class CopiesRow:
    """One target of one night: its files, where they are, and how many of them are in one place only."""

    night: date
    target: str
    files: int
    size_bytes: int
    places: dict[Place, InPlace]
    in_one_place: int
    nowhere_whole: int

    def as_json(self) -> dict[str, Any]:
        """Return the row as `--json` lists it."""
        return {
            "night": self.night.isoformat(),
            "target": self.target,
            "files": self.files,
            "bytes": self.size_bytes,
            "in_one_place_only": self.in_one_place,
            "nowhere_whole": self.nowhere_whole,
            "places": [
                {
                    "kind": place.kind,
                    "name": place.name,
                    "folder": str(place.folder),
                    "files": held.files,
                    "damaged": held.damaged,
                    "proven_utc": None if held.proven_utc is None else held.proven_utc.isoformat(),
                }
                for place, held in self.places.items()
            ],
        }


@dataclass(frozen=True, slots=True)
class CopiesOutcome:
    """Where everything is. `absent` are archives that are not here, `findings` what could not be read.

    `passed_over` are the names of connected drives that the configuration, which names others, leaves out.
    """

    places: tuple[Place, ...]
    rows: tuple[CopiesRow, ...]
    absent: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    passed_over: tuple[str, ...] = ()

    @property
    def in_one_place(self) -> int:
        """How many files are in one place only."""
        return sum(row.in_one_place for row in self.rows)

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code: 1 where a copy is known to be damaged, or something could not be read."""
        damaged = any(held.damaged for row in self.rows for held in row.places.values())
        return ExitCode.SOMETHING_UNPROVEN if damaged or self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        files = sum(row.files for row in self.rows)
        where = ", ".join(place.label(self.places) for place in self.places)
        alone, lost = self.in_one_place, sum(row.nowhere_whole for row in self.rows)
        told = [f"{counted(lost, 'file')} whole in none of them"] if lost else []
        told += [f"{counted(alone, 'file')} in one place only"] if alone else []
        if not told:
            told = ["each in two places or more"]
        elif rest := files - alone - lost:
            told.append(f"{counted(rest, 'file')} in two places or more")
        line = f"{counted(files, 'file')} in {where}: {', '.join(told)}."
        line += "".join(f" {name} is not here, and not counted." for name in self.absent)
        if self.passed_over:
            line += f" Connected, but not counted, since no [[drive]] names it: {_all(self.passed_over)}."
        return line

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "copies",
            "exit": int(self.exit_code),
            "message": self.message,
            "places": [
                {"kind": place.kind, "name": place.name, "folder": str(place.folder)} for place in self.places
            ],
            "archives_absent": list(self.absent),
            "drives_passed_over": list(self.passed_over),
            "in_one_place_only": self.in_one_place,
            "copies": [row.as_json() for row in self.rows],
            "findings": [finding.as_json() for finding in self.findings],
        }


def copies(config: Config, around: Surroundings) -> CopiesOutcome:
    """Ask every archive and drive that is here; nothing but lists is read. Raises NightferryError."""
    looking = _Looking()
    absent: list[str] = []
    if not config.archives:
        raise ConfigurationError("The configuration names no archive", config.file, "Name its folder.")
    with ExitStack() as held:
        for archive in config.archives:
            opened = _opened(archive, around, held)
            if opened is None:
                absent.append(archive.label)
                continue
            looking.archive(opened, Place("archive", archive.name or archive.folder.name, archive.folder))
        if not looking.places:
            raise NotThere("None of the archives is here", config.archives[0].folder, "Connect its disk.")
        connected = find_drives(config.drives, around.medium, around.listen)[0]
        for found in connected:
            drive = OpenDrive(found, around.medium)
            held.callback(drive.close)
            looking.drive(drive, Place("drive", drive.name, drive.root))
        ids = {found.mark.id for found in connected}
        others = [found for found in find_drives((), around.medium)[0] if found.mark.id not in ids]
    left_out = [Place("drive", found.mark.name, found.root) for found in others]
    return CopiesOutcome(
        tuple(looking.places),
        tuple(looking.rows()),
        tuple(absent),
        tuple(looking.findings),
        tuple(place.label([*looking.places, *left_out]) for place in left_out),
    )


def _all(names: Iterable[str]) -> str:
    return ", ".join(map(repr, names))


def _opened(archive: Archive, around: Surroundings, held: ExitStack) -> OpenArchive | None:
    """Open an archive; None where it is not here."""
    try:
        if read_archive_mark(archive.folder) is None:
            return None
        return held.enter_context(looked_at_archive(archive.folder, around))
    except NotThere:
        return None


@dataclass(slots=True)
class _File:
    """One content: where its copies are that are as listed, and where it is known to be damaged or lost."""

    night: date
    target: str
    size_bytes: int
    whole: dict[Place, datetime | None] = field(default_factory=dict)
    damaged: set[Place] = field(default_factory=set)


@dataclass(slots=True)
class _Looking:
    """Gathers the files of all places by their content."""

    places: list[Place] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    _files: dict[str, _File] = field(default_factory=dict)

    def archive(self, archive: OpenArchive, place: Place) -> None:
        """Ask an archive's bags."""
        self.places.append(place)
        for bag in bags_of(archive.root).bags:
            listed, entries = ArchiveBag(archive.folder, bag), list[Entry]()
            listed.load(entries.append)
            if listed.damage:
                self._could_not_look(archive.root / bag, listed.damage)
                continue
            proofs, sizes = KeptProofs(listed), Sizes(archive.folder)
            for entry in entries:
                file = self._file(entry, _label(entry, bag))
                if entry.path in proofs.damaged or sizes.of(listed.at(entry.path)) != entry.size_bytes:
                    file.damaged.add(place)
                else:
                    file.whole[place] = proofs.last_read_utc(entry.path)

    def drive(self, drive: OpenDrive, place: Place) -> None:
        """Ask the nights on a drive."""
        self.places.append(place)
        sizes = Sizes(drive.folder)
        for night in nights_on(drive):
            listed = ListedBag(drive.folder, night.isoformat())
            try:
                for entry in listed.entries():
                    if sizes.of(listed.at(entry.path)) == entry.size_bytes:
                        self._file(entry, NOT_FILED).whole[place] = None
            except (EntryError, OSError) as error:
                self._could_not_look(drive.root / night.isoformat(), str(error))

    def _file(self, entry: Entry, target: str) -> _File:
        known = self._files.get(entry.digests.sha256)
        if known is None:
            known = self._files[entry.digests.sha256] = _File(entry.night, target, entry.size_bytes)
        return known

    def _could_not_look(self, path: Path, why: str) -> None:
        self.findings.append(Finding(FindingKind.UNREADABLE, why, str(path)))

    def rows(self) -> Iterator[CopiesRow]:
        """Yield a row for each night and target, in order."""
        groups: dict[tuple[date, str], list[_File]] = {}
        for file in self._files.values():
            groups.setdefault((file.night, file.target), []).append(file)
        for (night, target), files in sorted(groups.items(), key=lambda each: each[0]):
            in_places = {place: _in_place(place, files) for place in self.places}
            yield CopiesRow(
                night=night,
                target=target,
                files=len(files),
                size_bytes=sum(file.size_bytes for file in files),
                places={place: held for place, held in in_places.items() if held.files or held.damaged},
                in_one_place=sum(len(file.whole) == 1 for file in files),
                nowhere_whole=sum(not file.whole for file in files),
            )


def _in_place(place: Place, files: Iterable[_File]) -> InPlace:
    whole = [file.whole[place] for file in files if place in file.whole]
    proven = [moment for moment in whole if moment is not None]
    oldest = min(proven).astimezone(UTC) if proven and len(proven) == len(whole) else None
    return InPlace(len(whole), sum(place in file.damaged for file in files), oldest)


def _label(entry: Entry, bag: str) -> str:
    if entry.target:
        return entry.target
    return "(calibration)" if bag == CALIBRATION else "(logs)" if bag.startswith(f"{NIGHTS}/") else bag
