"""The archive's word, written back onto the drive into the night's bag, which stays a valid bag."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from typing import Any

from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import MANIFEST, acknowledgement_of
from transfer.archive.mark import ArchiveMark
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import pinned_tag_files, put_tag_file, sha256_of_file
from transfer.engine.drive import only_run_on
from transfer.engine.medium import Medium
from transfer.errors import NightferryError
from transfer.jobs.file.account import Filed
from transfer.jobs.file.items import Acknowledgeable

_FORMAT = 1


class NotAcknowledged(Exception):
    """Why the word could not be written."""


def acknowledge(
    bag: Acknowledgeable,
    files: list[Filed],
    archive: ArchiveMark,
    now: datetime,
    medium: Medium,
) -> bool:
    """Write into a night's bag that the archive has all its files; return whether it had to be written.

    A bag that carries this archive's word for these very files is left as it is. Keeps every other run
    off the drive meanwhile. Raises NotAcknowledged.
    """
    listed = ListedBag(bag.folder, bag.bag)
    try:
        manifest_sha256 = sha256_of_file(bag.folder, listed.at(MANIFEST))
        if _says_so(listed, archive, manifest_sha256):
            return False
        with only_run_on(bag.root, medium):
            if listed.fingerprint() != bag.fingerprint:
                raise NotAcknowledged("the bag has changed since it was read: file again")
            _require_all(files, listed)
            document = _document(files, archive, manifest_sha256, now)
            put_tag_file(listed, acknowledgement_of(archive.id), document)
    except OSError as error:
        raise NotAcknowledged(error.strerror or str(error)) from error
    except NightferryError as error:
        raise NotAcknowledged(f"{error.happened}. {error.next_step}".strip()) from error
    return True


def _require_all(files: list[Filed], listed: ListedBag) -> None:
    """Check that the word names every line of the bag's manifest: it is what a deletion may rest on."""
    named = {f"{file.sha256}  {file.path}\n".encode() for file in files}
    missing = sum(line not in named for line in read_lines(listed.folder, listed.at(MANIFEST)))
    if missing:
        raise NotAcknowledged(f"{missing} of its files are not known to be in the archive: file again")


def _document(files: list[Filed], archive: ArchiveMark, manifest_sha256: str, now: datetime) -> bytes:
    told: dict[str, Any] = {
        "format": _FORMAT,
        "archive": {"id": archive.id, "name": archive.name},
        "acknowledged": now.astimezone(UTC).isoformat(timespec="seconds"),
        "manifest_sha256": manifest_sha256,
        "files": [file._asdict() for file in sorted(files)],
    }
    return json.dumps(told, indent=1).encode("ascii") + b"\n"


def _says_so(listed: ListedBag, archive: ArchiveMark, manifest_sha256: str) -> bool:
    """Return whether the bag has this archive's word for all that it lists, pinned by its tag manifest."""
    path = acknowledgement_of(archive.id)
    try:
        content = b"".join(read_lines(listed.folder, listed.at(path)))
        told = json.loads(content)
    except (ListTooLarge, ValueError, RecursionError):  # it lies on the drive: anybody may have written it
        return False
    pinned = pinned_tag_files(listed).get(path) == hashlib.sha256(content).hexdigest()
    return pinned and isinstance(told, dict) and told.get("manifest_sha256") == manifest_sha256
