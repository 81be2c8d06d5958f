"""When each file of an archive's bag was last read back and what came of it: "proven" and "damaged".

A file is taken for what its bag lists without being read again only as long as its size and its time are
those of its last proof, and it was not found damaged since. The statements are added to, as every kind is:
of two about one file the later holds.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any, NamedTuple

from manifests.bags.statements import Statement

PROVEN = "proven"
DAMAGED = "damaged"
_STATEMENT_AT_MOST_BYTES = 48 << 10


class KeptProof(NamedTuple):
    """One reading of a file that was equal to what its bag lists.

    Size and time (nanoseconds since 1970) are the file system's from before it was read. `from_medium` is
    False where it may have been read from memory.
    """

    size_bytes: int
    modified_ns: int
    read_utc: datetime
    from_medium: bool


def proof_statements(proofs: Mapping[str, KeptProof]) -> Iterator[Statement]:
    """Return the statements that keep these proofs, by path in the bag: many files in each."""
    readings: dict[tuple[datetime, bool], dict[str, KeptProof]] = {}
    for path, proof in proofs.items():
        readings.setdefault((proof.read_utc, proof.from_medium), {})[path] = proof
    for (read_utc, from_medium), of_one in readings.items():
        files: dict[str, list[int]] = {}
        size_bytes = 0
        for path, proof in of_one.items():
            stamp = [proof.size_bytes, proof.modified_ns]
            size_bytes += len(json.dumps({path: stamp}))
            if files and size_bytes > _STATEMENT_AT_MOST_BYTES:
                yield _statement(read_utc, from_medium, files)
                files, size_bytes = {}, 0
            files[path] = stamp
        yield _statement(read_utc, from_medium, files)


def _statement(read_utc: datetime, from_medium: bool, files: Mapping[str, list[int]]) -> Statement:
    return Statement(PROVEN, read_utc, {"from_medium": from_medium, "files": dict(files)})


def kept_proofs(statements: Iterable[Statement]) -> dict[str, KeptProof]:
    """Return the last proof of each file, by its path in the bag; what is no proof is left out."""
    kept: dict[str, KeptProof] = {}
    for statement in statements:
        files = statement.facts.get("files")
        if isinstance(files, dict):
            from_medium = statement.facts.get("from_medium") is True
            for path, stamp in files.items():
                if _is_stamp(stamp):
                    size_bytes, modified_ns = stamp
                    kept[path] = KeptProof(size_bytes, modified_ns, statement.said_utc, from_medium)
    return kept


def damage_statements(wrong: Mapping[str, str], found_utc: datetime) -> Iterator[Statement]:
    """Return the statements that files, by path in the bag, were found damaged, and how."""
    for some in _in_parts(wrong.items()):
        yield Statement(DAMAGED, found_utc, {"files": dict(some)})


def whole_statements(paths: Iterable[str], found_utc: datetime) -> Iterator[Statement]:
    """Return the statements that files which were found damaged have held since."""
    for some in _in_parts((path, "") for path in paths):
        yield Statement(DAMAGED, found_utc, {"whole": [path for path, _ in some]})


def _in_parts(files: Iterable[tuple[str, str]]) -> Iterator[list[tuple[str, str]]]:
    part: list[tuple[str, str]] = []
    size_bytes = 0
    for path, wrong in files:
        size_bytes += len(json.dumps({path: wrong}))
        if part and size_bytes > _STATEMENT_AT_MOST_BYTES:
            yield part
            part, size_bytes = [], 0
        part.append((path, wrong))
    if part:
        yield part


def known_damage(statements: Iterable[Statement]) -> dict[str, str]:
    """Return what is wrong with each file that was found damaged and has not held since, by its path."""
    wrong: dict[str, str] = {}
    for statement in statements:
        files, whole = statement.facts.get("files"), statement.facts.get("whole")
        if isinstance(files, dict):
            wrong |= {path: str(what) for path, what in files.items()}
        for path in whole if isinstance(whole, list) else ():
            if isinstance(path, str):
                wrong.pop(path, None)
    return wrong


def _is_stamp(value: Any) -> bool:
    return isinstance(value, list) and [type(each) for each in value] == [int, int]
