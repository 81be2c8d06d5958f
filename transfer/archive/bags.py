"""A bag of the archive: which folder it has, whose it is, and what its manifest lists."""

from __future__ import annotations

import hashlib
import io
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from manifests.bags.declared import Faults
from manifests.bags.entries import Entry
from manifests.bags.list_sizes import ListTooLarge
from manifests.bags.paths import BAG_INFO, OWN, PAYLOAD
from manifests.bags.tag_fields import read_fields
from manifests.bags.tag_lines import tag_lines
from transfer.archive.layout import Owner
from transfer.engine.bag.lines import parent, read_lines
from transfer.engine.bag.listed import Known, ListedBag, Origin, never
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import BLOCK_BYTES

_LABEL = "Internal-Sender-Identifier"


def bag_info(owner: Owner) -> dict[str, str]:
    """Return the elements of bag-info.txt by which a bag says whose it is."""
    what = {"target": "Frames of one target", "night": "Logs of one night"}
    described = what.get(owner.label.partition(" ")[0], "Frames that calibrate others")
    return {_LABEL: owner.label, "Internal-Sender-Description": described}


def label_in(folder: PinnedFolder, bag: str) -> str | None:
    """Read whose bag lies in a folder; None where it does not say. Raises OSError."""
    try:
        content = b"".join(read_lines(folder, f"{bag}/{BAG_INFO}"))
    except ListTooLarge:
        return None
    fields = read_fields(tag_lines(io.BytesIO(content), "utf-8"), Faults(BAG_INFO))
    return next((field.value for field in fields if field.label == _LABEL), None)


def files_below(folder: PinnedFolder, path: str) -> Iterator[str]:
    """Return each file below a path, at any depth. Raises OSError."""
    for name, is_folder in folder.names(path):
        if is_folder:
            yield from files_below(folder, f"{path}/{name}")
        else:
            yield f"{path}/{name}"


class Folders:
    """Finds the folder of each owner in the archive. Raises OSError."""

    def __init__(self, folder: PinnedFolder) -> None:
        self._folder = folder
        self._found: dict[Owner, str] = {}

    def of(self, owner: Owner) -> str:
        """Return the folder of an owner's bag: the one that says so, else the first that is free."""
        if owner not in self._found:
            number, wanted = 1, owner.folder
            while wanted in self._found.values() or not self._is_for(owner, wanted):
                number += 1
                wanted = f"{owner.folder} ({number})"
            self._found[owner] = wanted
        return self._found[owner]

    def _is_for(self, owner: Owner, wanted: str) -> bool:
        facts = self._folder.stat(wanted)
        if facts is None or not stat.S_ISDIR(facts.st_mode):
            return facts is None
        if label_in(self._folder, wanted) == owner.label:
            return True
        # What a run made ready that died before it filed anything; a person's own folder is let be.
        names = {name for name, _ in self._folder.names(wanted)}
        return names <= {PAYLOAD, OWN} and not any(files_below(self._folder, f"{wanted}/{PAYLOAD}"))


class Held(NamedTuple):
    """What the bag lists under one path."""

    size_bytes: int
    sha256: str
    xxh128: str


class ArchiveBag(ListedBag):
    """One bag of the archive; `held` has, by path, what it lists and what this run has put into it."""

    def __init__(self, folder: PinnedFolder, path: str) -> None:
        super().__init__(folder, path)
        self.held: dict[str, Held] = {}
        self._sizes: dict[str, set[int]] = {}

    def load(self, on_entry: Callable[[Entry], None], is_own: Callable[[Entry], bool] = never) -> None:
        """Read what the bag lists; a list that cannot be read is left out whole, and `damage` says why."""

        def keep(entry: Entry) -> None:
            self.held[entry.path] = held_of(entry)
            on_entry(entry)

        super().load(keep, is_own)
        if self.damage:
            self.held.clear()

    def recall(self, rows: Iterable[tuple[Origin, Known]]) -> None:
        """Record paths that the bag lists; the same path of a source may have come on many nights."""
        self.paths |= {known.path for _, known in rows}

    def left_whole(self) -> dict[str, Entry]:
        """Return, by path, what an earlier run left whole and did not list."""
        left = super().left_whole()
        return {
            path: entry
            for path, entry in left.items()
            if path not in self.held or self.held[path].sha256 != entry.digests.sha256
        }

    def forget(self, path: str) -> None:
        """Forget a file that has left the bag."""
        self.paths.discard(path)
        self.held.pop(path, None)
        self._sizes.clear()

    def sizes_in(self, folder: str) -> set[int]:
        """Return the sizes of the files that the bag lists in one of its folders."""
        if not self._sizes:
            for path, held in self.held.items():
                self._sizes.setdefault(parent(path), set()).add(held.size_bytes)
        return self._sizes.get(folder, set())

    def is_beginning(self, path: str, size_bytes: int, sha256: str) -> bool:
        """Return whether a content is the beginning of the longer file that the bag has at a path."""
        held = self.held.get(path)
        if held is None or held.size_bytes <= size_bytes or self.folder.stat(self.at(path)) is None:
            return False
        return beginning_sha256(self.folder, self.at(path), size_bytes) == sha256

    def grew_into(self, path: str, part: str, size_bytes: int) -> bool:
        """Return whether the file `part` (below the pinned folder) has grown from what lies at `path`."""
        held = self.held.get(path)
        if held is None or held.size_bytes >= size_bytes:
            return False
        return beginning_sha256(self.folder, part, held.size_bytes) == held.sha256


def held_of(entry: Entry) -> Held:
    """Return what an entry says of its file's content."""
    return Held(entry.size_bytes, entry.digests.sha256, entry.digests.xxh128)


def beginning_sha256(folder: PinnedFolder, path: str, size_bytes: int) -> str:
    """Return the SHA-256 of a file's first so many bytes. Raises OSError."""
    digest = hashlib.sha256()
    with os.fdopen(folder.open_file(path), "rb", buffering=0) as file:
        left = size_bytes
        while left and (block := file.read(min(left, BLOCK_BYTES))):
            digest.update(block)
            left -= len(block)
    return digest.hexdigest()
