"""One tag file more in a bag that stays as it is: written beside the others, and pinned with them."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping

from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    INCOMING,
    MANIFEST,
    OWN,
    PAYLOAD_XXH128,
    SET_ASIDE,
    TAG_MANIFEST,
    is_said,
)
from transfer.engine.bag.durable import TagFileSet, remove_if_there, try_again, write_durably
from transfer.engine.bag.lines import parent, read_lines
from transfer.engine.bag.listed import ListedBag
from transfer.engine.medium import PinnedFolder

_OURS = (BAGIT_TXT, BAG_INFO, MANIFEST, PAYLOAD_XXH128, ENTRIES)
LISTS = frozenset((*_OURS, TAG_MANIFEST))


def put_tag_file(listed: ListedBag, path: str, content: bytes) -> None:
    """Put a tag file into a bag, as `put_tag_files` does."""
    put_tag_files(listed, {path: content})


def put_tag_files(listed: ListedBag, contents: Mapping[str, bytes]) -> None:
    """Put tag files into a bag durably, and the tag manifest that lists them in the place of the one before.

    Everything is read back. A power cut in between leaves a bag without a tag manifest, which RFC 8493
    allows. Raises OSError and DriveFailed.
    """
    tags = _tags(listed) | {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    try_again(lambda: _put(listed, {**contents, TAG_MANIFEST: _lines(tags)}))


def begin_with_info(listed: ListedBag, content: bytes) -> None:
    """Put bag-info.txt into a folder that has none and is to be a bag: it says whose it is before all else.

    Raises OSError and DriveFailed.
    """
    folder = listed.folder
    if folder.stat(listed.at(BAG_INFO)) is None:
        folder.flush_folders(sorted(folder.make_folders(listed.at(INCOMING))))
        write_durably(folder, listed.at(BAG_INFO), content, listed.at(INCOMING))


def keep_apart(listed: ListedBag, path: str) -> str:
    """Copy a tag file as it is into the bag's set-aside folder; return the copy's path in the bag.

    One that is larger than any is moved there. Nothing is done where the file is not there. Raises OSError
    and DriveFailed.
    """
    folder = listed.folder
    if folder.stat(listed.at(path)) is None:
        return ""
    folder.flush_folders(sorted(folder.make_folders(listed.at(SET_ASIDE)) | {listed.at(OWN)}))
    taken = {name for name, _ in folder.names(listed.at(SET_ASIDE))}
    name = path.rpartition("/")[2]
    number = next(n for n in itertools.count(1) if f"{n} {name}" not in taken)
    aside = f"{SET_ASIDE}/{number} {name}"
    try:
        write_durably(folder, listed.at(aside), b"".join(read_lines(folder, listed.at(path))))
    except ListTooLarge:
        folder.replace(listed.at(path), listed.at(aside))
        folder.flush_folders(sorted({listed.at(SET_ASIDE), parent(listed.at(path))}))
    return aside


def remove_tag_file(listed: ListedBag, path: str) -> None:
    """Remove a tag file from a bag, and put a tag manifest without it in the place of the one before.

    A power cut in between leaves a bag without a tag manifest, which RFC 8493 allows. Raises OSError and
    DriveFailed.
    """
    folder = listed.folder
    tags = {name: sha256 for name, sha256 in _tags(listed).items() if name != path}
    for name in (TAG_MANIFEST, path):
        remove_if_there(folder, listed.at(name))
        folder.flush_folders([parent(listed.at(name))])
    try_again(lambda: _put(listed, {TAG_MANIFEST: _lines(tags)}))


def _tags(listed: ListedBag) -> dict[str, str]:
    """Return the tag files that the tag manifest has to list, path to SHA-256.

    What is pinned stays so: a list that has changed since must go on contradicting its digest.
    """
    tags = {name: sha256_of_file(listed.folder, listed.at(name)) for name in _OURS} | pinned_tag_files(listed)
    return tags | listed.tag_files_that_stay()


def _lines(tags: Mapping[str, str]) -> bytes:
    return b"".join(f"{sha256}  {name}\n".encode() for name, sha256 in sorted(tags.items()))


def pinned_tag_files(listed: ListedBag) -> dict[str, str]:
    """Return what the tag manifest lists, path to SHA-256. Raises OSError."""
    return dict(listed.pinned())


def is_as_pinned(listed: ListedBag, path: str) -> bool:
    """Return whether a tag file is what the tag manifest lists, or is not listed there. Raises OSError."""
    pinned = pinned_tag_files(listed).get(path)
    return pinned is None or pinned == sha256_where_there(listed, path)


def wrong_tag_files(listed: ListedBag) -> list[str]:
    """Return our lists and statements that are not what the tag manifest pins, or gone. Raises OSError.

    What else a tag manifest names is left out: no path that a damaged one says is followed.
    """
    try:
        pinned = pinned_tag_files(listed).items()
    except ListTooLarge:
        return [TAG_MANIFEST]
    ours = ((path, sha256) for path, sha256 in pinned if path in LISTS or is_said(path))
    return [path for path, sha256 in ours if sha256_where_there(listed, path) != sha256]


def sha256_where_there(listed: ListedBag, path: str) -> str:
    """Return a tag file's SHA-256; nothing where it is not there, or larger than any. Raises OSError."""
    try:
        if listed.folder.stat(listed.at(path)) is None:
            return ""
        return sha256_of_file(listed.folder, listed.at(path))
    except ListTooLarge:
        return ""


def sha256_of_file(folder: PinnedFolder, path: str) -> str:
    """Return the SHA-256 of a small file below a pinned folder; of nothing where it is not there."""
    digest = hashlib.sha256()
    for line in read_lines(folder, path):
        digest.update(line)
    return digest.hexdigest()


def _put(listed: ListedBag, contents: Mapping[str, bytes]) -> None:
    folder = listed.folder
    folder.flush_folders(sorted(folder.make_folders(listed.at(INCOMING))))
    files = TagFileSet(folder, listed.path, listed.at(INCOMING))
    try:
        for name, written in contents.items():
            with files.create(name) as file:
                file.write(written)
        files.put_in_place({name: hashlib.sha256(written).hexdigest() for name, written in contents.items()})
    finally:
        files.close()
