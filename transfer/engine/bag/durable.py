"""Small files written so that they survive a power cut: temporary, flush, rename, flush, read back."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Iterable
from typing import BinaryIO

from manifests.bags.paths import ENTRIES, TAG_MANIFEST
from transfer.engine.bag.lines import parent
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all
from transfer.errors import DriveFailed

PART_ENDING = ".part"
_TRIES = 3


class NotAsWritten(DriveFailed):
    """What was read back is not what was written."""


def write_durably(folder: PinnedFolder, path: str, content: bytes, beside: str = "") -> None:
    """Put a small file in place, whole or not at all, and read it back past the caches.

    It is written beside its place, or in the folder `beside`, which is there. Raises OSError and NotAsWritten
    where it goes wrong every time.
    """
    try_again(lambda: _put_in_place(folder, path, content, beside))
    # A driver may have noted when it was read back: nothing is to be under way on a drive that is pulled.
    folder.flush_folders([parent(path)])


def try_again(write: Callable[[], None]) -> None:
    """Write a file; where that fails write all of it anew, twice at most: no flush is repeated alone."""
    for _ in range(_TRIES - 1):
        try:
            write()
        except NotAsWritten:
            continue
        except OSError as error:
            if error.errno != errno.EIO:
                raise
        else:
            return
    write()


def _put_in_place(folder: PinnedFolder, path: str, content: bytes, beside: str = "") -> None:
    part = (f"{beside}/{path.rpartition('/')[2]}" if beside else path) + PART_ENDING
    remove_if_there(folder, part)
    descriptor = folder.create_file(part)
    try:
        write_all(descriptor, content)
        folder.flush_files([descriptor])
    finally:
        os.close(descriptor)
    folder.replace(part, path)
    folder.flush_folders(sorted({parent(path), parent(part)}))
    prove_small_files(folder, {path: hashlib.sha256(content).hexdigest()})


def prove_small_files(folder: PinnedFolder, sha256: dict[str, str]) -> None:
    """Read files back past the caches and compare. Raises OSError or NotAsWritten."""
    folder.chill()
    with folder.cold(list(sha256)) as group:
        for path, written in sha256.items():
            digest = hashlib.sha256()
            for block in group.blocks(path):
                digest.update(block)
            if digest.hexdigest() != written:
                step = "Don't trust this drive: check it on another computer and send to another one."
                raise NotAsWritten("What was read back is not what was written", folder.path / path, step)


def remove_if_there(folder: PinnedFolder, path: str) -> None:
    """Remove a file of our own, if it is there."""
    if folder.stat(path) is not None:
        folder.remove(path)


class TagFileSet:
    """The tag files of a bag on their way to the medium: all written beside the old ones, then swapped.

    Nothing is swapped before all of it was read back. The tag manifest is taken away first and put back
    last, so that a power cut between two renames leaves a bag without one, which RFC 8493 allows, rather
    than one that contradicts itself; and the entries go in before all others, so that of two lists that
    such a cut leaves, theirs is the newer.
    """

    def __init__(self, folder: PinnedFolder, bag: str, incoming: str) -> None:
        self._folder = folder
        self._bag = bag
        self._incoming = incoming
        self._parts: dict[str, int] = {}

    def create(self, name: str) -> BinaryIO:
        """Return a file to write the tag file `name` to; closing it leaves the rest to `put_in_place`."""
        part = self._part(name)
        remove_if_there(self._folder, part)
        self._parts[name] = self._folder.create_file(part)
        return os.fdopen(self._parts[name], "wb", buffering=1 << 20, closefd=False)

    def _part(self, name: str) -> str:
        return f"{self._incoming}/{name.replace('/', '-')}{PART_ENDING}"

    def put_in_place(self, sha256: dict[str, str]) -> None:
        """Flush what was written and closed, read it back, swap it in, and read it back there.

        `sha256` gives the digest of each tag file by its name. Raises OSError, and NotAsWritten.
        """
        self._folder.flush_files(list(self._parts.values()))
        names = list(self._parts)
        self.close()
        prove_small_files(self._folder, {self._part(name): digest for name, digest in sha256.items()})
        remove_if_there(self._folder, f"{self._bag}/{TAG_MANIFEST}")
        self._folder.flush_folders([self._bag])
        self._swap([name for name in names if name == ENTRIES])
        self._swap([name for name in names if name not in (ENTRIES, TAG_MANIFEST)])
        self._swap([TAG_MANIFEST])
        prove_small_files(self._folder, {f"{self._bag}/{name}": digest for name, digest in sha256.items()})

    def _swap(self, names: Iterable[str]) -> None:
        touched = {self._bag, self._incoming}
        for name in names:
            self._folder.replace(self._part(name), f"{self._bag}/{name}")
            touched.add(parent(f"{self._bag}/{name}"))
        self._folder.flush_folders(sorted(touched))

    def close(self) -> None:
        """Close the files, whatever came of them."""
        while self._parts:
            os.close(self._parts.popitem()[1])
