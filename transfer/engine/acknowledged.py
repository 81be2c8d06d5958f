"""Acknowledgements that come home with a drive: which are believed, and those that this computer keeps.

A drive may be anybody's. What is signed with this computer's key was written by an archive that was sent
the key; what is not signed can only be held against the bag it lies in.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from manifests.bags.acknowledgement import Acknowledgement, AcknowledgementError, read_acknowledgement
from manifests.bags.acknowledgement_keys import Key, Signed, signed
from manifests.bags.entries import EntryError
from manifests.bags.paths import MANIFEST, acknowledgement_of, is_acknowledgement
from transfer.engine.bag.lines import content_of, read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import sha256_of_file
from transfer.engine.records import Records

# Clocks of two computers differ, and one of them may know of no zone.
_AHEAD_AT_MOST = timedelta(days=1)
TAKEN_BACK = (
    "its archive has said since that this does not stand any more: files were deleted there, or it was put "
    "back to an older state; file the night again"
)


@dataclass(frozen=True, slots=True)
class Received:
    """An acknowledgement of a night's bag, its file's content, and whether this computer's key signed it."""

    night: date
    acknowledgement: Acknowledgement
    content: bytes
    is_signed: bool


@dataclass(frozen=True, slots=True)
class Refused:
    """A file that is called an acknowledgement and is not believed: its path on the drive, and why."""

    path: str
    why: str


def received(bag: ListedBag, night: date, records: Records, now: datetime) -> Iterator[Received | Refused]:
    """Yield every acknowledgement in a night's bag, judged. Raises OSError."""
    key, signing = records.key(), records.archives_that_sign()
    for path, pinned in sorted(bag.tag_files_that_stay().items()):
        if not is_acknowledgement(path):
            continue
        content = content_of(bag.folder, bag.at(path))
        if hashlib.sha256(content).hexdigest() != pinned:
            yield Refused(bag.at(path), "it is not what the bag's tag manifest lists")
            continue
        try:
            acknowledgement = read_acknowledgement(content)
            is_signed = _is_signed(content, key)
            _require_believable(acknowledgement, path, now)
            if not is_signed:
                _require_unsigned_fits(acknowledgement, bag, signing)
        except AcknowledgementError as error:
            yield Refused(bag.at(path), str(error))
        else:
            yield Received(night, acknowledgement, content, is_signed)


def _is_signed(content: bytes, key: Key | None) -> bool:
    found = Signed.ABSENT if key is None else signed(content, key)
    if found is Signed.WRONG:
        raise AcknowledgementError("its signature does not hold: it is forged, or was changed")
    return found is Signed.VALID


def _require_believable(acknowledgement: Acknowledgement, path: str, now: datetime) -> None:
    if path != acknowledgement_of(acknowledgement.archive_id):
        raise AcknowledgementError("it is of another archive than its name says")
    times = [acknowledgement.acknowledged, *(file.read_back_utc for file in acknowledgement.files)]
    if any(moment is not None and moment > now + _AHEAD_AT_MOST for moment in times):
        raise AcknowledgementError("its time has not come yet: is this computer's clock right?")


def _require_unsigned_fits(acknowledgement: Acknowledgement, bag: ListedBag, signing: Iterable[str]) -> None:
    """Check an acknowledgement that nobody signed against the bag; an archive that signs signs all."""
    if acknowledgement.archive_id in signing:
        raise AcknowledgementError("its archive signs with this computer's key, and this is not signed")
    if acknowledgement.manifest_sha256 != sha256_of_file(bag.folder, bag.at(MANIFEST)):
        raise AcknowledgementError("it is of another manifest than the bag has: file the night again")
    lines = set(read_lines(bag.folder, bag.at(MANIFEST)))
    strange = sum(f"{file.sha256}  {file.path}\n".encode() not in lines for file in acknowledgement.files)
    if strange:
        raise AcknowledgementError(f"it lists {strange} files that the night's bag has not")


def note(
    bag: ListedBag, drive_id: str, night: date, records: Records, now: datetime
) -> list[Received | Refused]:
    """Judge every acknowledgement in a night's bag, and keep what they say with this computer's records.

    Of a bag that this computer has not sent nothing is kept. Raises OSError.
    """
    judged = _held_against_what_stands(bag, received(bag, night, records, now), records)
    if records.has_own_in_bag(drive_id, night, bag.known.values()):
        keep(judged, night, records)
    said = [each.acknowledgement.files for each in judged if isinstance(each, Received)]
    if not said:
        return judged
    fingerprint, own = bag.fingerprint(), records.own_in_bag(drive_id, night)
    covered = own & {(file.path, file.sha256) for files in said for file in files}
    if fingerprint is None or not covered:
        return judged
    if not records.has_acknowledgements_of(drive_id, night, fingerprint):
        with suppress(EntryError):  # a list that was damaged says nothing of any file
            rows = [
                ((entry.source, entry.original), entry.size_bytes, entry.modified_ns, entry.digests.sha256)
                for entry in bag.entries()
                if (entry.path, entry.digests.sha256) in covered and not entry.growing
            ]
            records.keep_acknowledged(drive_id, night, fingerprint, rows)
    return judged


def _held_against_what_stands(
    bag: ListedBag, found: Iterable[Received | Refused], records: Records
) -> list[Received | Refused]:
    """Refuse what its archive has left out of a later acknowledgement, as far as this computer has seen."""
    judged = list(found)
    for each in judged:
        if isinstance(each, Received) and each.is_signed:
            _keep_standing(each.acknowledgement, records)
    return [
        Refused(bag.at(acknowledgement_of(each.acknowledgement.archive_id)), TAKEN_BACK)
        if isinstance(each, Received) and is_taken_back(each.acknowledgement, records)
        else each
        for each in judged
    ]


def _keep_standing(said: Acknowledgement, records: Records) -> None:
    known = records.standing(said.archive_id)
    if said.stands is not None and (known is None or known[0] <= said.acknowledged):
        same = known is not None and known[0] == said.acknowledged
        stands = said.stands | known[1] if known is not None and same else said.stands
        if known is not None and known == (said.acknowledged, stands):
            return
        records.keep_standing(said.archive_id, said.acknowledged, stands)
        for night, content in records.signed_acknowledgements():
            with suppress(AcknowledgementError):
                if is_taken_back(read_acknowledgement(content), records):
                    records.forget_acknowledged(night)


def is_taken_back(said: Acknowledgement, records: Records) -> bool:
    """Return whether its archive left an acknowledgement out of a later one, as far as this computer saw."""
    known = records.standing(said.archive_id)
    return known is not None and said.acknowledged < known[0] and said.manifest_sha256 not in known[1]


def keep(found: Iterable[Received | Refused], night: date, records: Records) -> None:
    """Keep the signed ones of a night's bag with this computer's records, and no other of that night.

    An archive that has lost a file takes its acknowledgement back from the drive: what is remembered of an
    archive that the bag has nothing of counts no more. A drive that was never filed says so as well, and the
    one that was filed says it again.
    """
    judged = list(found)
    here = {each.acknowledgement.archive_id for each in judged if isinstance(each, Received)}
    for archive_id in records.archives_that_sign() - here:
        records.drop_signed(archive_id, night)
    for each in judged:
        if isinstance(each, Received) and each.is_signed:
            acknowledgement = each.acknowledgement
            records.keep_signed(
                acknowledgement.archive_id, each.night, acknowledgement.manifest_sha256, each.content
            )


def kept(records: Records, now: datetime, seen: Collection[bytes] = ()) -> Iterator[Received | Refused]:
    """Yield the signed acknowledgements of earlier drives, but not those already `seen`.

    What cannot be read is passed over; one that its archive has taken back since is refused.
    """
    key = records.key()
    for night, content in records.signed_acknowledgements():
        if content in seen:
            continue
        try:
            acknowledgement = read_acknowledgement(content)
            if not _is_signed(content, key):
                continue
            _require_believable(acknowledgement, acknowledgement_of(acknowledgement.archive_id), now)
        except AcknowledgementError:
            continue
        if is_taken_back(acknowledgement, records):
            yield Refused(f"{acknowledgement.archive_name}, {night}", TAKEN_BACK)
        else:
            yield Received(night, acknowledgement, content, is_signed=True)
