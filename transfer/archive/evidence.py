"""Where contents of sources are proven: archives that acknowledged them, and drives that hold them now."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from datetime import time as time_of_day
from typing import NamedTuple

from manifests.bags.acknowledgement import AcknowledgedFile
from manifests.bags.entries import EntryError
from manifests.findings import Finding, FindingKind
from transfer.archive.held import OpenArchive, looked_at_archive, read_archive_mark
from transfer.archive.proven import proven_contents
from transfer.config import Config
from transfer.engine.acknowledged import TAKEN_BACK, Received, Refused, is_taken_back, kept, note
from transfer.engine.bag.found_damaged import found_damaged
from transfer.engine.bag.listed import ListedBag, Origin
from transfer.engine.drive import OpenDrive, drive_failure
from transfer.engine.ledger import Place
from transfer.engine.medium import ReadBack
from transfer.engine.records import Records
from transfer.engine.reread import Copy
from transfer.engine.sizes import Sizes
from transfer.engine.sources import check_apart
from transfer.engine.surroundings import Surroundings
from transfer.errors import NotThere
from transfer.words import counted

_FROM_MEDIUM = ReadBack.MEDIUM.value  # as entries have it


class Version(NamedTuple):
    """A content that a source had when it was carried."""

    sha256: str
    size_bytes: int


@dataclass(slots=True)
class Evidence:
    """What is known of contents, by SHA-256, and of files, by their place in the sources.

    `proofs` say for each place when its copy was last read back, as far as is known: no later. `unsigned`
    are those of acknowledgements without this computer's signature, which count for nothing by themselves.
    `times_ns` are the modification times that a file had when it was carried; acknowledgements say none.
    """

    versions: dict[Origin, set[Version]] = field(default_factory=dict)
    proofs: dict[str, dict[Place, datetime]] = field(default_factory=dict)
    unsigned: dict[str, dict[Place, datetime]] = field(default_factory=dict)
    copies: dict[str, list[Copy]] = field(default_factory=dict)
    nights: dict[Origin, date] = field(default_factory=dict)
    times_ns: dict[Origin, set[int]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def add(self, origin: Origin, version: Version, place: Place, proven: datetime, *, sure: bool) -> None:
        """Add that a place has a content; the latest proof of a place counts, with its name then."""
        self.versions.setdefault(origin, set()).add(version)
        known = (self.proofs if sure else self.unsigned).setdefault(version.sha256, {})
        if place not in known or known[place] <= proven:
            known.pop(place, None)
            known[place] = proven

    def places(self, sha256: str, since: datetime) -> list[Place]:
        """Return the places that have a content, as was proven no longer ago than `since`."""
        return [place for place, proven in self.proofs.get(sha256, {}).items() if proven >= since]

    def too_few(self, sha256: str, places: Iterable[Place], wanted: int, since: datetime) -> str:
        """Return in words which of the wanted places have a content, and what else is known of it."""
        here = set(places)
        unsigned = self.unsigned.get(sha256, {}).keys() - here
        old = {place for place, proven in self.proofs.get(sha256, {}).items() if proven < since} - here
        told = [f"proven in {len(here)} of {counted(wanted, 'place')}", *(each.told for each in sorted(here))]
        told += [f"proven too long ago: {each.told}" for each in sorted(old)]
        told += [f"not signed: {each.told}" for each in sorted(unsigned)]
        return "; ".join(told)

    def leave_out(self, place: Place, contents: Iterable[str]) -> None:
        """Count a place no more for these contents: it will not have them any longer."""
        for sha256 in contents:
            self.proofs.get(sha256, {}).pop(place, None)
            self.copies[sha256] = [copy for copy in self.copies.get(sha256, ()) if copy.place != place]

    @property
    def unsigned_only(self) -> tuple[str, ...]:
        """The archives, for people, of whose contents some are known by unsigned acknowledgements alone."""
        places = {
            place
            for sha256, of_one in self.unsigned.items()
            for place in of_one.keys() - self.proofs.get(sha256, {}).keys()
        }
        return tuple(f"{place.name!r} ({place.id})" for place in sorted(places))


def evidence_of(
    drives: Sequence[OpenDrive],
    archives: Sequence[OpenArchive],
    around: Surroundings,
    *,
    believe_unsigned: bool = False,
) -> Evidence:
    """Ask the drives and the archives that are here, and the records. Raises NightferryError.

    An archive that is here is asked itself: what it once acknowledged and has no more does not count.
    """
    try:
        return _gathered(drives, archives, around, believe_unsigned=believe_unsigned)
    except OSError as error:
        if drives:
            raise drive_failure(error, drives[0]) from error
        raise NotThere(f"The archive cannot be read ({error.strerror})", error.filename or "") from error


def _gathered(
    drives: Iterable[OpenDrive],
    archives: Iterable[OpenArchive],
    around: Surroundings,
    *,
    believe_unsigned: bool,
) -> Evidence:
    records, now = around.records, around.clock()
    found = Evidence()
    here = {archive.mark.id for archive in archives}
    came: list[tuple[Received, OpenDrive]] = []
    for drive in drives:
        for night in nights_on(drive):
            bag = ListedBag(drive.folder, night.isoformat())
            judged = note(bag, drive.mark.id, night, records, now)
            came += [(each, drive) for each in judged if isinstance(each, Received)]
            found.findings += [_refused(each, drive) for each in judged if isinstance(each, Refused)]
            _add_drive(found, drive, bag, night, records)
    # Only now has each archive's last acknowledgement been seen: what it leaves out stands no more.
    standing = [each for each, _ in came if not is_taken_back(each.acknowledgement, records)]
    found.findings += [
        Finding(FindingKind.NOT_BELIEVED, TAKEN_BACK, f"{drive.name}/{each.night}")
        for each, drive in came
        if each not in standing
    ]
    known = list(kept(records, now, [each.content for each, _ in came]))
    refused = [each for each in known if isinstance(each, Refused)]
    found.findings += [Finding(FindingKind.NOT_BELIEVED, each.why, each.path) for each in refused]
    for acknowledged in (*standing, *(each for each in known if isinstance(each, Received))):
        if acknowledged.acknowledgement.archive_id not in here:
            _add_acknowledged(found, acknowledged, sure=acknowledged.is_signed or believe_unsigned)
    for archive in archives:
        _add_archive(found, archive)
    return found


def archives_here(config: Config, around: Surroundings, held: ExitStack) -> list[OpenArchive]:
    """Open the configured archives that are here; at the telescope there mostly is none. `held` closes them.

    Each has the name that the configuration gives it, where it gives one. Raises ConfigurationError where a
    source and an archive lie one in the other.
    """
    found = []
    for archive in config.archives:
        check_apart(config.sources, archive.folder, "the archive")
        with suppress(NotThere):
            if read_archive_mark(archive.folder) is not None:
                opened = held.enter_context(looked_at_archive(archive.folder, around))
                mark = replace(opened.mark, name=archive.name or opened.mark.name)
                found.append(replace(opened, mark=mark))
    return found


def nights_on(drive: OpenDrive) -> list[date]:
    """Return the nights that a drive has folders of, the oldest first. Raises OSError."""
    nights = []
    for name, is_folder in drive.folder.names(""):
        try:
            night = date.fromisoformat(name) if is_folder else None
        except ValueError:
            continue
        if night is not None and night.isoformat() == name:
            nights.append(night)
    return sorted(nights)


def _refused(refused: Refused, drive: OpenDrive) -> Finding:
    return Finding(FindingKind.NOT_BELIEVED, refused.why, f"{drive.name}/{refused.path}")


def _add_drive(found: Evidence, drive: OpenDrive, bag: ListedBag, night: date, records: Records) -> None:
    """Add what a night's bag holds that this computer has itself read, sent and had read back.

    Anybody's drive may list anything; what is taken from it is what the records know. It was proven on the
    evening of its night or later.
    """
    own = records.own_in_bag(drive.mark.id, night)
    place = Place("drive", drive.mark.id, drive.name)
    proven = datetime.combine(night, time_of_day(), UTC)
    sizes = Sizes(drive.folder)
    wrong = found_damaged(bag, records, drive.mark.id, night)
    try:
        for entry in bag.entries() if own else ():
            is_there = sizes.of(bag.at(entry.path)) == entry.size_bytes
            is_own = (entry.path, entry.digests.sha256) in own
            is_sound = is_there and entry.path not in wrong
            if is_sound and is_own and entry.read_back == _FROM_MEDIUM:
                origin, sha256 = (entry.source, entry.original), entry.digests.sha256
                found.add(origin, Version(sha256, entry.size_bytes), place, proven, sure=True)
                found.copies.setdefault(sha256, []).append(Copy(place, drive.folder, bag.at(entry.path)))
                found.nights.setdefault(origin, night)
                found.times_ns.setdefault(origin, set()).add(entry.modified_ns)
    except EntryError as error:
        found.findings.append(Finding(FindingKind.MALFORMED, str(error), f"{drive.name}/{bag.path}"))


def _add_acknowledged(found: Evidence, each: Received, *, sure: bool) -> None:
    said = each.acknowledgement
    place = Place("archive", said.archive_id, said.archive_name)
    for file in said.files:
        origin = (file.source, file.original)
        proven = _read_back(file, said.acknowledged)
        found.add(origin, Version(file.sha256, file.size_bytes), place, proven, sure=sure)
        found.nights.setdefault(origin, each.night)


def _read_back(file: AcknowledgedFile, acknowledged: datetime) -> datetime:
    return acknowledged if file.read_back_utc is None else min(file.read_back_utc, acknowledged)


def _add_archive(found: Evidence, archive: OpenArchive) -> None:
    place = Place("archive", archive.mark.id, archive.mark.name)
    for each in proven_contents(archive.folder):
        origin, version = (each.source, each.original), Version(each.sha256, each.size_bytes)
        found.add(origin, version, place, each.read_back_utc, sure=True)
        found.nights.setdefault(origin, each.night)
        found.times_ns.setdefault(origin, set()).add(each.modified_ns)
        found.copies.setdefault(each.sha256, []).append(Copy(place, archive.folder, each.path))
