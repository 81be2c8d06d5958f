"""Parses the lines of manifests (digest, path) and of fetch.txt (URL, length, path)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from manifests.bags.algorithms import SHA256, Algorithm, algorithm_named
from manifests.bags.containment import danger
from manifests.bags.declared import Faults, Manifest
from manifests.bags.entries import entry_from_line
from manifests.bags.paths import JOURNAL, MANIFEST_NAME, PAYLOAD, Version, decode_path, shown
from manifests.bags.tag_lines import Line

# RFC 8493, section 2.1.3: digest, spaces or tabs, path. The asterisk is what checksum tools put before
# the name of a file read as binary.
_DIGEST_AND_PATH = re.compile(r"([^ \t]+)[ \t]+(?![ \t])\*?(.+)", re.DOTALL)
_URL_LENGTH_AND_PATH = re.compile(r"([^ \t]+)[ \t]+([0-9]+|-)[ \t]+(?![ \t])(.+)", re.DOTALL)
_HEXADECIMAL = re.compile(r"(?:[0-9A-Fa-f]{2})+")


class _Spelled(NamedTuple):
    path: str
    written: str


class _Unusable(ValueError):
    """A line that cannot be used; the text says why."""


def read_manifest(name: str, lines: Iterable[Line], version: Version, faults: Faults) -> Manifest:
    """Read a payload or tag manifest called `name`; what is malformed is added to `faults`."""
    found = MANIFEST_NAME.fullmatch(name)
    assert found is not None, "a manifest is known by its name"
    of_tags, algorithm = bool(found[1]), algorithm_named(found[2])
    if algorithm is None:
        faults.add(0, "is of an algorithm that this program does not have: its digests were not compared")
    digests: dict[str, bytes] = {}
    as_written: dict[str, str] = {}
    for number, text in _usable(lines, faults):
        try:
            digest, spelled = _digest_and_path(text, algorithm, version)
            _placed(spelled.path, of_tags=of_tags)
            _listed_once(digests.get(spelled.path), digest, spelled.path, version)
        except _Unusable as fault:
            faults.add(number, str(fault))
            continue
        digests[spelled.path] = digest
        if "%" in spelled.written:
            as_written[spelled.path] = spelled.written
    return Manifest(name, algorithm, digests, as_written)


def read_fetch(
    lines: Iterable[Line], version: Version, manifests: Iterable[Manifest], faults: Faults
) -> Mapping[str, str]:
    """Read fetch.txt: the URL of each path. Nothing is ever fetched."""
    listed = [manifest.digests for manifest in manifests]
    required = all if version >= (1, 0) else any
    fetchable: dict[str, str] = {}
    for number, text in _usable(lines, faults):
        found = _URL_LENGTH_AND_PATH.fullmatch(text)
        if found is None:
            faults.add(number, "is not 'URL length path'")
            continue
        try:
            path = _spelled(found[3], version).path
            _placed(path, of_tags=False)
        except _Unusable as fault:
            faults.add(number, str(fault))
            continue
        if not required(path in digests for digests in listed):
            faults.add(number, f"'{shown(path)}' is not in the manifests")
        fetchable[path] = found[1]
    return fetchable


def read_journal(lines: Iterable[bytes], faults: Faults) -> Manifest:
    """Read the journal of an unfinished run of ours; a last line cut short is no line."""
    digests: dict[str, bytes] = {}
    for number, line in enumerate(lines, 1):
        try:
            entry = entry_from_line(line)
            path = _spelled(entry.path, (1, 0)).path
            _placed(path, of_tags=False)
            digests[entry.path] = bytes.fromhex(entry.digests.sha256)
        except _Unusable as fault:
            faults.add(number, str(fault))
        except ValueError:
            if line.endswith(b"\n"):
                faults.add(number, "is not an entry")
    return Manifest(JOURNAL, SHA256, digests, {})


def _usable(lines: Iterable[Line], faults: Faults) -> Iterator[tuple[int, str]]:
    """Yield the lines that can be parsed. Empty lines are skipped: they list nothing."""
    for number, text, problem in lines:
        if problem:
            faults.add(number, problem)
        elif text.strip():
            yield number, text


def _digest_and_path(text: str, algorithm: Algorithm | None, version: Version) -> tuple[bytes, _Spelled]:
    found = _DIGEST_AND_PATH.fullmatch(text)
    if found is None:
        raise _Unusable("is not 'digest path'")
    spelled = _spelled(found[2], version)
    if _HEXADECIMAL.fullmatch(found[1]) is None:
        raise _Unusable(f"the digest of '{shown(spelled.path)}' is not hexadecimal")
    digest = bytes.fromhex(found[1])
    if algorithm is not None and not algorithm.takes(digest):
        raise _Unusable(f"the digest of '{shown(spelled.path)}' has the wrong length for {algorithm.name}")
    return digest, spelled


def _spelled(written: str, version: Version) -> _Spelled:
    """Decode a path and remove `./` and repeated slashes."""
    decoded = decode_path(written, version)
    why = danger(decoded)
    if why:
        raise _Unusable(f"the path '{shown(decoded)}' {why}: it was not followed")
    if decoded.endswith("/"):
        raise _Unusable(f"the path '{shown(decoded)}' names a folder")
    return _Spelled(_plain(decoded), _plain(written))


def _plain(path: str) -> str:
    if not path.startswith("./") and "//" not in path and "/./" not in path:
        return path
    return "/".join(part for part in path.split("/") if part not in ("", "."))


def _placed(path: str, *, of_tags: bool) -> None:
    top, slash, _ = path.partition("/")
    in_payload = top == PAYLOAD and bool(slash)
    if in_payload and of_tags:
        raise _Unusable(f"'{shown(path)}' is payload, which a tag manifest does not list")
    if not in_payload and not of_tags:
        raise _Unusable(f"'{shown(path)}' lies outside {PAYLOAD}/")
    found = MANIFEST_NAME.fullmatch(path) if of_tags else None
    if found is not None and found[1]:
        raise _Unusable(f"'{shown(path)}' is a tag manifest, which none lists")


def _listed_once(before: bytes | None, digest: bytes, path: str, version: Version) -> None:
    """Refuse a path listed again; before 1.0 the same line twice was not forbidden."""
    if before is not None and (version >= (1, 0) or before != digest):
        again = "with the same digest" if before == digest else "with another digest"
        raise _Unusable(f"'{shown(path)}' is listed again, {again}")
