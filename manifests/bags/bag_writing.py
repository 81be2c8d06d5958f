"""Writes a bag's tag files entry by entry, in constant memory (RFC 8493)."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from datetime import date
from typing import BinaryIO

from manifests.bags.containment import danger
from manifests.bags.entries import Entry, entry_line
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    MANIFEST,
    MANIFEST_NAME,
    PAYLOAD,
    PAYLOAD_XXH128,
    TAG_MANIFEST,
    encode_path,
)
from manifests.bags.tag_fields import written_field

_DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_SHA256 = re.compile(r"[0-9a-f]{64}")

Create = Callable[[str], BinaryIO]


class BagWriter:
    """Writes every tag file of one bag of ours.

    `create` returns a binary file for a tag file's path in the bag; the caller makes that file durable, and
    closes the open files where writing raises. `bag_info` are elements for bag-info.txt; Bagging-Date and
    Bag-Software-Agent are added unless given, and Payload-Oxum is always counted. Raises ValueError for an
    invalid label.
    """

    def __init__(self, create: Create, bag_info: Mapping[str, str]) -> None:
        self._info = {label: written_field(label, value) for label, value in bag_info.items()}
        if any(label.lower() == "payload-oxum" for label in bag_info):
            raise ValueError("Payload-Oxum is counted, not given")
        self._create = create
        self._size_bytes = 0
        self._files = 0
        self._manifest = _TagFile(create, MANIFEST)
        self._xxh128 = _TagFile(create, PAYLOAD_XXH128)
        self._entries = _TagFile(create, ENTRIES)

    def add(self, entry: Entry) -> None:
        """Write one file's lines. The caller adds each path once.

        Raises ValueError, before anything is written, for a path that no reader should follow.
        """
        path = _checked_path(entry.path)
        if not entry.path.startswith(f"{PAYLOAD}/"):
            raise ValueError(f"not in the payload: {entry.path!r}")
        self._manifest.write(entry.digests.sha256.encode() + b"  " + path + b"\n")
        self._xxh128.write(entry.digests.xxh128.encode() + b"  " + path + b"\n")
        self._entries.write(entry_line(entry))
        self._size_bytes += entry.size_bytes
        self._files += 1

    def close(self, others: Mapping[str, str] | None = None) -> dict[str, str]:
        """Write the rest, close every file, and return the SHA-256 of each tag file written, by its path.

        `others` are tag files that the bag has already, path to SHA-256; the tag manifest lists them too.
        """
        listed = {path: _checked_other(path, sha256) for path, sha256 in (others or {}).items()}
        written = {file.name: file.close() for file in (self._manifest, self._xxh128, self._entries)}
        written[BAGIT_TXT] = self._write_whole(BAGIT_TXT, _DECLARATION)
        written[BAG_INFO] = self._write_whole(BAG_INFO, self._bag_info())
        both = written.keys() & listed.keys()
        if both:
            raise ValueError(f"written here, so not to be given: {sorted(both)}")
        lines = [
            sha256.encode() + b"  " + _checked_path(path) + b"\n"
            for path, sha256 in sorted((written | listed).items())
        ]
        written[TAG_MANIFEST] = self._write_whole(TAG_MANIFEST, b"".join(lines))
        return written

    def _write_whole(self, name: str, content: bytes) -> str:
        file = _TagFile(self._create, name)
        file.write(content)
        return file.close()

    def _bag_info(self) -> bytes:
        given = {label.lower() for label in self._info}
        counted = {
            "Bagging-Date": date.today().isoformat(),  # noqa: DTZ011 - the day it is where the bag is made
            "Bag-Software-Agent": _agent(),
        }
        added = {label: value for label, value in counted.items() if label.lower() not in given}
        added["Payload-Oxum"] = f"{self._size_bytes}.{self._files}"
        fields = [*self._info.values(), *(written_field(label, value) for label, value in added.items())]
        return "".join(fields).encode("utf-8", "replace")


class _TagFile:
    """A tag file being written, and the digest of what was written to it."""

    def __init__(self, create: Create, name: str) -> None:
        self.name = name
        self._file = create(name)
        self._digest = hashlib.sha256()

    def write(self, content: bytes) -> None:
        self._digest.update(content)
        left = memoryview(content)
        while left:  # an unbuffered file may take less than it is given
            left = left[self._file.write(left) :]

    def close(self) -> str:
        self._file.close()
        return self._digest.hexdigest()


def _checked_path(path: str) -> bytes:
    why = danger(path)
    if why or "//" in path or "/./" in f"/{path}/" or path.endswith("/"):
        raise ValueError(f"not a path for a bag ({why or 'not in its plainest form'}): {path!r}")
    return encode_path(path).encode()


def _checked_other(path: str, sha256: str) -> str:
    found = MANIFEST_NAME.fullmatch(path)
    if path.startswith(f"{PAYLOAD}/") or (found is not None and found[1]):
        raise ValueError(f"no tag manifest lists {path!r}")
    if _SHA256.fullmatch(sha256) is None:
        raise ValueError(f"not a SHA-256 digest: {sha256!r}")
    return sha256


def _agent() -> str:
    import importlib.metadata  # slow to load, and needed only where a bag is written

    try:
        return f"nightferry {importlib.metadata.version('nightferry')}"
    except importlib.metadata.PackageNotFoundError:  # run from its folder, not installed
        return "nightferry"
