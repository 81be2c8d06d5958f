"""What an archive has acknowledged so far, and which of that it still has: every acknowledgement says so.

A file in the archive has a line for each manifest that was acknowledged, and for each that was left out of
later acknowledgements; it is only added to. An archive that is put back to an older state has an older one of
these, too: what it acknowledged later stands no more.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import NamedTuple

from manifests.bags.acknowledgement import Acknowledgement
from transfer.archive.contents import Holdings
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all
from transfer.engine.sizes import Sizes

NAME = "nightferry-acknowledged.jsonl"
_LOGS = "nights/"  # there a log that grew takes the place of its older part


class _File(NamedTuple):
    sha256: str
    size_bytes: int
    to: str


@dataclass(slots=True)
class Standing:
    """The acknowledgements of one archive, by the SHA-256 of their manifests. Methods raise OSError.

    `damaged` are contents that this run has found to be not what they were.
    """

    archive: PinnedFolder
    holdings: Holdings
    _manifests: set[str] | None = None
    _lost: set[str] = field(default_factory=set)
    _sizes: Sizes = field(init=False)

    def __post_init__(self) -> None:
        self._sizes = Sizes(self.archive)

    def manifests(self, damaged: Collection[str]) -> set[str] | None:
        """Return the manifests of which the archive still has every file, as far as a look at it can tell.

        None where its index cannot be asked.
        """
        if self._manifests is None:
            faults = len(self.holdings.findings)
            last = dict(_lines(self.archive))
            has = {manifest: self._has(files, damaged) for manifest, files in last.items() if files}
            if len(self.holdings.findings) == faults:
                self._manifests = {manifest for manifest, whole in has.items() if whole}
                self._lost = has.keys() - self._manifests
        return self._manifests

    def _has(self, files: list[_File], damaged: Collection[str]) -> bool:
        places = self.holdings.of(file.sha256 for file in files)
        for file in files:
            lies = [f"{each.bag}/{each.path}" for each in places.get(file.sha256, ()) if not each.absent]
            there = any(self._sizes.of(path) == file.size_bytes for path in lies)
            grown = file.to.startswith(_LOGS) and (self._sizes.of(file.to) or 0) > file.size_bytes
            if file.sha256 in damaged or not (there or grown):
                return False
        return True

    def add(self, acknowledgement: Acknowledgement, damaged: Collection[str]) -> None:
        """Note an acknowledgement, and which ones it leaves out, durably, before a drive gets it."""
        manifests, own = self.manifests(damaged), acknowledgement.manifest_sha256
        lines = [_line(manifest, ()) for manifest in sorted(self._lost - {own})]
        if manifests is None or own not in manifests:
            files = (_File(each.sha256, each.size_bytes, each.to) for each in acknowledgement.files)
            lines.append(_line(own, files))
        _append(self.archive, b"".join(lines))
        self._lost = set()
        if manifests is not None:
            manifests.add(own)


def _lines(archive: PinnedFolder) -> Iterator[tuple[str, list[_File]]]:
    """Yield each manifest with its files, with none where it was left out; other lines are passed over."""
    try:
        descriptor = archive.open_file(NAME)
    except FileNotFoundError:
        return
    with os.fdopen(descriptor, "rb") as file:
        for line in file:
            with suppress(ValueError, TypeError, KeyError, RecursionError):
                found = json.loads(line)
                yield str(found["manifest_sha256"]), [_file(*each) for each in found["files"]]


def _file(sha256: str, size_bytes: int, to: str) -> _File:
    bytes.fromhex(sha256)
    return _File(sha256, int(size_bytes), str(to))


def _line(manifest_sha256: str, files: Iterable[_File]) -> bytes:
    line = {"manifest_sha256": manifest_sha256, "files": list(files)}
    return json.dumps(line, separators=(",", ":")).encode("ascii") + b"\n"


def _append(archive: PinnedFolder, content: bytes) -> None:
    """Add lines and flush them; a last line that a dead run cut off is ended first."""
    if not content:
        return
    if archive.stat(NAME) is None:
        os.close(archive.create_file(NAME))
        archive.flush_folders([""])
    descriptor = archive.extend_file(NAME)
    try:
        write_all(descriptor, content if _ends_whole(archive) else b"\n" + content)
        archive.flush_files([descriptor])
    finally:
        os.close(descriptor)


def _ends_whole(archive: PinnedFolder) -> bool:
    with os.fdopen(archive.open_file(NAME), "rb") as file:
        file.seek(max(file.seek(0, os.SEEK_END) - 1, 0))
        return file.read() in (b"", b"\n")
