"""The archive's acknowledgement written into the night's bag on the drive, which stays a valid bag."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import replace
from datetime import datetime

from manifests.bags.acknowledgement import (
    AcknowledgedFile,
    Acknowledgement,
    AcknowledgementError,
    acknowledgement_content,
    read_acknowledgement,
)
from manifests.bags.acknowledgement_keys import Key, Signed, signed
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import MANIFEST, acknowledgement_of
from transfer.archive.held import OpenArchive
from transfer.archive.keys import keep_key, keys_of
from transfer.archive.standing import Standing
from transfer.engine.bag.lines import read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import pinned_tag_files, put_tag_file, remove_tag_file, sha256_of_file
from transfer.engine.drive import only_run_on
from transfer.engine.drive_key import key_on, remove_key
from transfer.engine.medium import Medium
from transfer.errors import NightferryError
from transfer.jobs.file.items import Acknowledgeable


class NotAcknowledged(Exception):
    """Why the acknowledgement could not be written."""


def acknowledge(
    bag: Acknowledgeable,
    files: tuple[AcknowledgedFile, ...],
    archive: OpenArchive,
    called: str,
    now: datetime,
    medium: Medium,
    standing: Standing,
    damaged: Collection[str] = (),
) -> bool:
    """Write into a night's bag that the archive has all its files; return whether it had to be written.

    It names the archive as it is `called`, and is signed with its keys; a key that the drive brings is kept
    in the archive first, and goes from the drive. A bag that carries this archive's acknowledgement of these
    very files, signed, is left as it is, unless that names other acknowledgements that do not stand any more:
    contents that are `damaged` count as gone. Keeps every other run off the drive meanwhile. Raises
    NotAcknowledged.
    """
    listed = ListedBag(bag.folder, bag.bag)
    try:
        brought, mark = key_on(bag.folder), archive.mark
        if brought is not None:
            keep_key(archive.folder, brought)
        keys = keys_of(archive.folder)
        manifest_sha256 = sha256_of_file(bag.folder, listed.at(MANIFEST))
        wanted = Acknowledgement(mark.id, called, now, manifest_sha256, files)
        stands = standing.manifests(damaged)
        wanted = replace(wanted, stands=None if stands is None else frozenset((*stands, manifest_sha256)))
        # What a later acknowledgement has left out has to be said anew to be believed.
        stood = stands is None or manifest_sha256 in stands
        is_there = stood and _is_there(listed, wanted, keys)
        if is_there and brought is None:
            return False
        with only_run_on(bag.root, medium):
            if listed.fingerprint() != bag.fingerprint:
                raise NotAcknowledged("the bag has changed since it was read: file again")
            if not is_there:
                _require_all(wanted, listed)
                standing.add(wanted, damaged)
                put_tag_file(listed, acknowledgement_of(mark.id), acknowledgement_content(wanted, keys))
            remove_key(bag.folder)
    except OSError as error:
        raise NotAcknowledged(error.strerror or str(error)) from error
    except NightferryError as error:
        raise NotAcknowledged(f"{error.happened}. {error.next_step}".strip()) from error
    return not is_there


def as_it_is(bag: Acknowledgeable) -> Acknowledgeable:
    """Return a night's bag as it is after an archive has written into it, for the next archive."""
    try:
        return replace(bag, fingerprint=ListedBag(bag.folder, bag.bag).fingerprint())
    except OSError:
        return bag  # the next archive says why it cannot write there


def take_back(bag: Acknowledgeable, damaged: Collection[str], archive: OpenArchive, medium: Medium) -> bool:
    """Remove this archive's acknowledgement from a night's bag if it covers what the archive has no more.

    `damaged` are places in the archive, and the contents that were there. Return whether there was such an
    acknowledgement. Raises NotAcknowledged where it cannot be removed.
    """
    listed, path = ListedBag(bag.folder, bag.bag), acknowledgement_of(archive.mark.id)
    try:
        if not _covers(listed, path, damaged):
            return False
        with only_run_on(bag.root, medium):
            remove_tag_file(listed, path)
    except OSError as error:
        raise NotAcknowledged(error.strerror or str(error)) from error
    except NightferryError as error:
        raise NotAcknowledged(f"{error.happened}. {error.next_step}".strip()) from error
    return True


def _covers(listed: ListedBag, path: str, damaged: Collection[str]) -> bool:
    try:
        found = read_acknowledgement(b"".join(read_lines(listed.folder, listed.at(path))))
    except (ListTooLarge, AcknowledgementError):
        return False
    return any(file.to in damaged or file.sha256 in damaged for file in found.files)


def _require_all(acknowledgement: Acknowledgement, listed: ListedBag) -> None:
    """Check that the acknowledgement covers every line of the bag's manifest; deletion will rely on it."""
    missing = acknowledgement.leaves_out(read_lines(listed.folder, listed.at(MANIFEST)))
    if missing:
        raise NotAcknowledged(f"{missing} of its files are not known to be in the archive: file again")


def _is_there(listed: ListedBag, wanted: Acknowledgement, keys: tuple[Key, ...]) -> bool:
    """Return whether the bag has this archive's acknowledgement, pinned and signed, of these very files."""
    path = acknowledgement_of(wanted.archive_id)
    try:
        content = b"".join(read_lines(listed.folder, listed.at(path)))
    except ListTooLarge:  # it lies on the drive: anybody may have written it
        return False
    if pinned_tag_files(listed).get(path) != hashlib.sha256(content).hexdigest():
        return False
    try:
        found = read_acknowledgement(content)
    except AcknowledgementError:
        return False
    is_signed = all(signed(content, key) is Signed.VALID for key in keys)
    is_true_still = wanted.stands is None or (found.stands is not None and found.stands <= wanted.stands)
    return is_signed and is_true_still and found.says_the_same_as(wanted)
