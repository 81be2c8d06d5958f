"""What a power cut took from a drive: each file that is not as it was claimed, and whose doing that was."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path

from judge import (
    Broken,
    Known,
    Ran,
    receipt_on,
    require,
    require_complete,
    require_truth,
    require_whole,
    sha256_of,
)

_KILLED = Ran(-signal.SIGKILL, "", "", killed=True)
_UNREADABLE = "cannot be read:"
Files = dict[str, str]  # path on the drive to SHA-256


class Excuse(Enum):
    """What has to have been so, beyond that all held, for a loss to be the file system's own doing."""

    LAY_STILL = auto()  # the file lay there as it has to be, before and after
    CAME_WHOLE = auto()  # the content that the file was to have lay on the medium before, under any name
    ALL_HELD = auto()  # nothing more
    NONE = auto()


@dataclass(frozen=True)
class Wrong:
    """A file that is not what it has to be; `sha256` is that, empty where no list says it."""

    path: str
    sha256: str
    what: str
    excuse: Excuse = Excuse.LAY_STILL


@dataclass(frozen=True)
class Found:
    """What lies on a drive, and what is wrong with it."""

    files: Files = field(default_factory=dict)
    wrong: tuple[Wrong, ...] = ()

    def __str__(self) -> str:
        return "; ".join(f"{each.path} {each.what}" for each in self.wrong[:4])


@dataclass(frozen=True)
class Claims:
    """What was said of a drive: before the run, and by it.

    `before` was proven by runs that had ended: path on the drive to SHA-256. `moving` are the contents,
    old and new, of those of them that the run itself puts in another's place: each is somewhere below its
    bag. `receipt_before` and `receipt_after` are what the drive said of itself.
    """

    known: Known
    before: Files
    moving: dict[str, frozenset[str]]
    receipt_before: bytes | None
    receipt_after: bytes | None


def files_on(drive: Path) -> Files:
    """Digest every file; one that cannot be read has the error in its digest's place."""
    found = {}
    for folder, _, names in os.walk(drive):
        for name in names:
            path = Path(folder, name)
            try:
                found[path.relative_to(drive).as_posix()] = sha256_of(path)
            except OSError as error:
                found[path.relative_to(drive).as_posix()] = f"{_UNREADABLE} {error}"
    return found


def look(drive: Path, claims: Claims, *, final: bool) -> Found:
    """Hold the drive against what was claimed; `final` where the run had ended."""
    files = files_on(drive)
    wrong = [
        *_claimed_before(files, claims),
        *_listed_wrongly(drive, files),
        *_not_whole(files, claims.known),
        *(_claimed_at_the_end(files, claims) if final else ()),
    ]
    if not wrong:
        wrong += _told_by_tools(drive, claims, final=final)
    return Found(files, tuple(wrong))


def _claimed_before(files: Files, claims: Claims) -> Iterator[Wrong]:
    for path, sha256 in claims.before.items():
        if files.get(path) != sha256:
            yield Wrong(path, sha256, "was proven by an earlier run, and is not there as it was")
    for path, contents in claims.moving.items():
        bag = f"{path.partition('/')[0]}/"
        if not any(sha256 in contents for name, sha256 in files.items() if name.startswith(bag)):
            what = "was proven by an earlier run, and neither it nor what it grew to is there"
            yield Wrong(path, "", what, Excuse.ALL_HELD)


def _listed_wrongly(drive: Path, files: Files) -> Iterator[Wrong]:
    """Invariant 2."""
    for manifest in [name for name in files if name.endswith("manifest-sha256.txt")]:
        if files[manifest].startswith(_UNREADABLE):
            yield Wrong(manifest, "", files[manifest], Excuse.ALL_HELD)
            continue
        bag = manifest.rpartition("/")[0]
        for line in (drive / manifest).read_bytes().decode("utf-8", "replace").splitlines():
            sha256, _, name = line.partition("  ")
            if files.get(f"{bag}/{name}") != sha256:
                yield Wrong(f"{bag}/{name}", sha256, f"is not what {manifest} lists")


def _not_whole(files: Files, known: Known) -> Iterator[Wrong]:
    """Invariant 3."""
    for path, sha256 in files.items():
        if path.partition("/")[2].startswith("data/") and sha256 not in known.ever:
            yield Wrong(path, "", "is not whole", Excuse.CAME_WHOLE)


def _claimed_at_the_end(files: Files, claims: Claims) -> Iterator[Wrong]:
    there = {(path.partition("/")[2], sha256) for path, sha256 in files.items()}
    for path, sha256 in claims.known.now.items():
        if (path, sha256) not in there:
            yield Wrong(path, sha256, "was proven by the run, and is not there")


def _told_by_tools(drive: Path, claims: Claims, *, final: bool) -> Iterator[Wrong]:
    """Have coreutils, xxhsum and the reference library say what is wrong."""
    try:
        if final:
            require_complete(drive, claims.known.now)
            require(receipt_on(drive) == claims.receipt_after, "the receipt is not the one of the last run")
        else:
            require_truth(_KILLED, drive, claims.known.now, claims.receipt_before)
        require_whole(drive, claims.known)
    except Broken as error:
        yield Wrong("", "", str(error), Excuse.NONE)
    except OSError as error:
        yield Wrong(str(error.filename), "", f"cannot be read: {error.strerror}", Excuse.ALL_HELD)


def blamed_on_program(found: Found, flushed: Found, after: Found) -> str:
    """Say why a loss was not the file system's own doing; empty where no program could have helped it.

    It was the file system's where all of this is so. Everything held at the last flush before the cut, and
    at the next one after it: between the two a driver writes in an order of its own. And each file that is
    lost or changed stood still meanwhile: a file that a list or an earlier run names was there, the same,
    at both flushes; one that just came had its content on the medium before, under any name. What a driver
    cannot read any more, with nothing claimed in it, is its own doing too.
    """
    if flushed.wrong or after.wrong:
        return f"it does not hold at the flush before ({flushed}) or after ({after})"
    return next((str(Found({}, (w,))) for w in found.wrong if not _is_excused(w, flushed, after)), "")


def _is_excused(wrong: Wrong, flushed: Found, after: Found) -> bool:
    match wrong.excuse:
        case Excuse.LAY_STILL:
            return all(_lies_there(wrong, each.files) for each in (flushed, after))
        case Excuse.CAME_WHOLE:
            return after.files.get(wrong.path) in flushed.files.values()
        case _:
            return wrong.excuse is Excuse.ALL_HELD


def _lies_there(wrong: Wrong, files: Files) -> bool:
    return any(
        sha256 == wrong.sha256 and (path == wrong.path or path.endswith(f"/{wrong.path}"))
        for path, sha256 in files.items()
    )
