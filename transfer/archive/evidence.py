"""Where contents of sources are proven: archives that acknowledged them, and drives that hold them now."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from datetime import time as time_of_day
from typing import NamedTuple

from manifests.bags.acknowledgement import AcknowledgedFile
from manifests.bags.entries import EntryError
from manifests.findings import Finding, FindingKind
from transfer.archive.held import OpenArchive
from transfer.archive.proven import proven_contents
from transfer.engine.acknowledged import Received, Refused, keep, kept, received
from transfer.engine.bag.listed import ListedBag, Origin
from transfer.engine.drive import OpenDrive
from transfer.engine.ledger import Place
from transfer.engine.medium import PinnedFolder, ReadBack
from transfer.engine.records import Records

_FROM_MEDIUM = ReadBack.MEDIUM.value  # as entries have it


class Version(NamedTuple):
    """A content that a source had when it was carried."""

    sha256: str
    size_bytes: int


class Copy(NamedTuple):
    """A copy on a drive or in an archive that is here: the path below its folder."""

    place: Place
    folder: PinnedFolder
    path: str


@dataclass(slots=True)
class Evidence:
    """What is known of contents, by SHA-256, and of files, by their place in the sources.

    `proofs` say for each place when its copy was last read back, as far as is known: no later. `unsigned`
    are those of acknowledgements without this computer's signature, which count for nothing by themselves.
    """

    versions: dict[Origin, set[Version]] = field(default_factory=dict)
    proofs: dict[str, dict[Place, datetime]] = field(default_factory=dict)
    unsigned: dict[str, dict[Place, datetime]] = field(default_factory=dict)
    copies: dict[str, list[Copy]] = field(default_factory=dict)
    nights: dict[Origin, date] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def add(self, origin: Origin, version: Version, place: Place, proven: datetime, *, sure: bool) -> None:
        """Add that a place has a content; the latest proof of a place counts."""
        self.versions.setdefault(origin, set()).add(version)
        known = (self.proofs if sure else self.unsigned).setdefault(version.sha256, {})
        known[place] = max(proven, known.get(place, proven))


def evidence_of(
    drives: Iterable[OpenDrive],
    archive: OpenArchive | None,
    records: Records,
    now: datetime,
    *,
    believe_unsigned: bool,
) -> Evidence:
    """Ask the drives and the archive that are here, and the records. Raises OSError.

    An archive that is here is asked itself: what it once acknowledged and has no more does not count.
    """
    found = Evidence()
    here = "" if archive is None else archive.mark.id
    came: list[Received] = []
    for drive in drives:
        for night in _nights_on(drive):
            bag = ListedBag(drive.folder, night.isoformat())
            judged = list(received(bag, night, records, now))
            if records.own_in_bag(drive.mark.id, night):
                keep(judged, night, records)
            came += [each for each in judged if isinstance(each, Received)]
            found.findings += [_refused(each, drive) for each in judged if isinstance(each, Refused)]
            _add_drive(found, drive, bag, night, records)
    for acknowledged in (*came, *kept(records, now, [each.content for each in came])):
        if acknowledged.acknowledgement.archive_id != here:
            _add_acknowledged(found, acknowledged, sure=acknowledged.is_signed or believe_unsigned)
    if archive is not None:
        _add_archive(found, archive)
    return found


def _nights_on(drive: OpenDrive) -> list[date]:
    nights = []
    for name, is_folder in drive.folder.names(""):
        try:
            night = date.fromisoformat(name) if is_folder else None
        except ValueError:
            continue
        if night is not None and night.isoformat() == name:
            nights.append(night)
    return nights


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
    sizes: dict[str, dict[str, int]] = {}
    try:
        for entry in bag.entries() if own else ():
            folder, _, name = bag.at(entry.path).rpartition("/")
            if folder not in sizes:
                sizes[folder] = drive.folder.sizes(folder)
            is_there = sizes[folder].get(name) == entry.size_bytes
            is_own = (entry.path, entry.digests.sha256) in own
            if is_there and is_own and entry.read_back == _FROM_MEDIUM:
                origin, sha256 = (entry.source, entry.original), entry.digests.sha256
                found.add(origin, Version(sha256, entry.size_bytes), place, proven, sure=True)
                found.copies.setdefault(sha256, []).append(Copy(place, drive.folder, bag.at(entry.path)))
                found.nights.setdefault(origin, night)
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
        version = Version(each.sha256, each.size_bytes)
        found.add((each.source, each.original), version, place, each.read_back_utc, sure=True)
        found.copies.setdefault(each.sha256, []).append(Copy(place, archive.folder, each.path))
