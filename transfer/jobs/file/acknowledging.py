"""The archive's word, written back onto the drive into the night's bag, which stays a valid bag."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    INCOMING,
    MANIFEST,
    PAYLOAD_XXH128,
    TAG_MANIFEST,
    acknowledgement_of,
)
from transfer.archive.mark import ArchiveMark
from transfer.engine.bag.durable import TagFileSet, try_again
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.drive import only_run_on
from transfer.engine.medium import Medium, PinnedFolder
from transfer.errors import NightferryError
from transfer.jobs.file.account import Filed
from transfer.jobs.file.items import Acknowledgeable

_FORMAT = 1
_OURS = (BAGIT_TXT, BAG_INFO, MANIFEST, PAYLOAD_XXH128, ENTRIES)


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
        manifest_sha256 = _sha256(bag.folder, listed.at(MANIFEST))
        if _says_so(listed, archive, manifest_sha256):
            return False
        with only_run_on(bag.root, medium):
            if listed.fingerprint() != bag.fingerprint:
                raise NotAcknowledged("the bag has changed since it was read: file again")
            _require_all(files, listed)
            document = _document(files, archive, manifest_sha256, now)
            try_again(lambda: _write(listed, archive, document))
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
    content = b"".join(read_lines(listed.folder, listed.at(path)))
    try:
        told = json.loads(content)
    except (ValueError, RecursionError):  # it lies on the drive: anybody may have written it
        return False
    pinned = _pinned(listed).get(path) == hashlib.sha256(content).hexdigest()
    return pinned and isinstance(told, dict) and told.get("manifest_sha256") == manifest_sha256


def _write(listed: ListedBag, archive: ArchiveMark, document: bytes) -> None:
    """Put the word beside the others, and the tag manifest that pins it in the place of the one before."""
    folder, path = listed.folder, acknowledgement_of(archive.id)
    tags = {name: _sha256(folder, listed.at(name)) for name in _OURS} | _pinned(listed)
    tags |= listed.acknowledgements() | {path: hashlib.sha256(document).hexdigest()}
    lines = b"".join(f"{sha256}  {name}\n".encode() for name, sha256 in sorted(tags.items()))
    folder.flush_folders(sorted(folder.make_folders(listed.at(INCOMING))))
    files = TagFileSet(folder, listed.path, listed.at(INCOMING))
    contents: Mapping[str, bytes] = {path: document, TAG_MANIFEST: lines}
    try:
        for name, content in contents.items():
            with files.create(name) as file:
                file.write(content)
        files.put_in_place({name: hashlib.sha256(content).hexdigest() for name, content in contents.items()})
    finally:
        files.close()


def _pinned(listed: ListedBag) -> dict[str, str]:
    """Read what the tag manifest pins; it was held against the files when the bag was read."""
    pairs = (line.decode("utf-8").rstrip("\n").partition("  ") for line in _tag_lines(listed))
    return {name: sha256 for sha256, _, name in pairs if name}


def _tag_lines(listed: ListedBag) -> list[bytes]:
    return list(read_lines(listed.folder, listed.at(TAG_MANIFEST)))


def _sha256(folder: PinnedFolder, path: str) -> str:
    digest = hashlib.sha256()
    for line in read_lines(folder, path):
        digest.update(line)
    return digest.hexdigest()
