"""Reading back from the medium what was written, and comparing it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import Enum

import xxhash

from transfer.engine.medium import Evidence, PinnedFolder, ReadBack, drive_has_left

# Each file's own pages are dropped just before its group is read: a group holds its files open.
GROUP_BYTES = 256 << 20
GROUP_FILES = 200


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy to be read back: its path below the pinned folder, its size and its XXH3-128 digest."""

    path: str
    size_bytes: int
    xxh128: str


class Outcome(Enum):
    """What reading a copy back gave."""

    EQUAL = "equal"
    DIFFERENT = "different"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Compared:
    """One copy, compared; `reason` where it could not be read."""

    copy: Copy
    outcome: Outcome
    evidence: Evidence
    reason: str = ""


def unreported(copy: Copy) -> None:
    """Report nothing."""


def read_back(
    folder: PinnedFolder,
    copies: Iterable[Copy],
    on_bytes: Callable[[int], None],
    go_on: Callable[[], bool],
    on_copy: Callable[[Copy], None] = unreported,
) -> Iterator[Compared]:
    """Read each copy past the caches and compare it with the digest of what was to be written.

    `on_copy` is called when a copy's turn comes, `on_bytes` with each count of bytes that were read.

    XXH3-128 suffices here: the question is whether the bytes are those that this run has just read,
    not whether somebody forged them. Ends early when `go_on` says so. Raises OSError only where the
    drive has left; a file that cannot be read is an outcome.
    """
    folder.chill()
    for group in _groups(copies):
        if not go_on():
            return
        yield from _read_group(folder, group, on_bytes, go_on, on_copy)


def evidence_of_reading(folder: PinnedFolder, path: str) -> Evidence:
    """Return whether reading a file past the caches reaches the medium now, as far as the system can tell."""
    try:
        folder.chill()
        with folder.cold([path]) as group:
            for _ in group.blocks(path):
                pass
            return group.evidence()
    except OSError as error:
        return Evidence(ReadBack.PERHAPS_MEMORY, error.strerror or str(error))


def _groups(copies: Iterable[Copy]) -> Iterator[list[Copy]]:
    group: list[Copy] = []
    size_bytes = 0
    for copy in copies:
        if group and (len(group) == GROUP_FILES or size_bytes + copy.size_bytes > GROUP_BYTES):
            yield group
            group, size_bytes = [], 0
        group.append(copy)
        size_bytes += copy.size_bytes
    if group:
        yield group


def _read_group(
    folder: PinnedFolder,
    copies: list[Copy],
    on_bytes: Callable[[int], None],
    go_on: Callable[[], bool],
    on_copy: Callable[[Copy], None],
) -> list[Compared]:
    results = []
    with folder.cold([copy.path for copy in copies]) as group:
        for copy in itertools.takewhile(lambda _: go_on(), copies):
            on_copy(copy)
            results.append(_compare(copy, group.blocks(copy.path), on_bytes))
        evidence = group.evidence()
    return [
        Compared(copy, outcome, evidence, reason)
        for copy, (outcome, reason) in zip(copies, results, strict=False)
    ]


def _compare(
    copy: Copy, blocks: Iterator[memoryview], on_bytes: Callable[[int], None]
) -> tuple[Outcome, str]:
    digest, size_bytes = xxhash.xxh3_128(), 0
    try:
        for block in blocks:
            digest.update(block)
            size_bytes += len(block)
            on_bytes(len(block))
    except OSError as error:
        if drive_has_left(error):
            raise
        return Outcome.UNREADABLE, error.strerror or str(error)
    same = size_bytes == copy.size_bytes and digest.hexdigest() == copy.xxh128
    return (Outcome.EQUAL if same else Outcome.DIFFERENT), ""
