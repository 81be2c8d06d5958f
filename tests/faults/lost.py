"""What a power cut took from a medium: each file that is not as it was claimed, and whose doing that was."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tests.faults.claims import UNREADABLE, Claims, Excuse, Files, Found, Wrong, files_on
from tests.faults.clear_jobs import EARLY, LEFT
from tests.faults.judge import Broken


def look(medium: Path, claims: Claims, *, final: bool) -> Found:
    """Compare the medium with what was claimed; `final` where the run had made its own claim."""
    files = files_on(medium)
    wrong = [
        *_claimed_before(files, claims),
        *_listed_wrongly(medium, files, claims, final=final),
        *_not_whole(files, claims.ever),
        *claims.more_wrong(medium, files),
        *(claims.missing_at_the_end(files) if final else ()),
    ]
    if not wrong:
        wrong += _told_by_tools(medium, claims, final=final)
    return Found(files, tuple(wrong))


def _claimed_before(files: Files, claims: Claims) -> Iterator[Wrong]:
    for path, sha256 in claims.before.same.items():
        if files.get(path) != sha256:
            yield Wrong(path, sha256, "was proven by an earlier run, and is not there as it was")
    for path, contents in claims.before.moving.items():
        bag = f"{path.partition('/data/')[0]}/"
        if not any(sha256 in contents for name, sha256 in files.items() if name.startswith(bag)):
            what = "was proven by an earlier run, and neither it nor what it grew to is there"
            yield Wrong(path, "", what, Excuse.CAME_WHOLE)


def _listed_wrongly(medium: Path, files: Files, claims: Claims, *, final: bool) -> Iterator[Wrong]:
    """Invariant 2."""
    manifests = [name for name in files if name.endswith("manifest-sha256.txt")]
    for manifest in [name for name in manifests if not name.startswith(f"{LEFT}/")]:
        if files[manifest].startswith(UNREADABLE):
            yield Wrong(manifest, "", files[manifest], Excuse.ALL_HELD)
            continue
        bag = manifest.rpartition("/")[0]
        for line in (medium / manifest).read_bytes().decode("utf-8", "replace").splitlines():
            sha256, _, name = line.partition("  ")
            there = files.get(f"{bag}/{name}")
            if there != sha256 and (final or not claims.may_be(f"{bag}/{name}", there)):
                yield Wrong(f"{bag}/{name}", sha256, f"is not what {manifest} lists")


def _not_whole(files: Files, ever: set[str]) -> Iterator[Wrong]:
    """Invariant 3."""
    for path, sha256 in files.items():
        if "/data/" in path and sha256 not in ever and not path.startswith(f"{LEFT}/"):
            yield Wrong(path, "", "is not whole", Excuse.CAME_WHOLE)


def _told_by_tools(medium: Path, claims: Claims, *, final: bool) -> Iterator[Wrong]:
    try:
        claims.require_by_tools(medium, final=final)
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
            same = [(wrong.path, wrong.sha256), *([wrong.answers] if wrong.answers else [])]
            return any(all(_lies_there(*one, each.files) for each in (flushed, after)) for one in same)
        case Excuse.CAME_WHOLE:
            return after.files.get(wrong.path) in flushed.files.values()
        case _:
            return wrong.excuse is Excuse.ALL_HELD


def _lies_there(wanted: str, sha256: str, files: Files) -> bool:
    return any(
        content == sha256 and (path.replace(LEFT, EARLY, 1) == wanted or path.endswith(f"/{wanted}"))
        for path, content in files.items()
    )
