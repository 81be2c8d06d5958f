"""Files of the night below the sources that no `take` pattern matches: never left behind in silence."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.frames.endings import IMAGE_BEGINNING_BYTES, begins_like_an_image, looks_like_an_image
from transfer.engine.medium import Medium
from transfer.engine.sources import SourceFile
from transfer.jobs.send.survey import Survey
from transfer.words import counted

_NAMED = 3


@dataclass(frozen=True, slots=True)
class NotTaken:
    """Files of one source with one ending that none of its patterns takes. `are_images`: FITS or not."""

    source: str
    ending: str
    are_images: bool
    paths: tuple[str, ...]

    @property
    def finding(self) -> Finding:
        """What a person is told of them."""
        kind = FindingKind.IMAGES_NOT_TAKEN if self.are_images else FindingKind.NOT_TAKEN
        named = ", ".join(self.paths[:_NAMED]) + (", …" if len(self.paths) > _NAMED else "")
        what = f"ending in {self.ending}" if self.ending else "without an ending"
        detail = (
            f"{counted(len(self.paths), 'file')} {what} not carried: {named}; "
            "widen take of this source, or name them in leave"
        )
        return Finding(kind, detail, self.source)

    def as_json(self) -> dict[str, Any]:
        """Return it as `--json` prints it."""
        return {
            "source": self.source,
            "ending": self.ending,
            "images": self.are_images,
            "files": len(self.paths),
            "paths": list(self.paths),
        }


def not_taken(
    seen: Survey, nights: Collection[date], earlier: Collection[date], medium: Medium
) -> tuple[NotTaken, ...]:
    """Return what no pattern takes of these nights (by the files' own times), by source and ending.

    Of `earlier` nights only the images count: they are named at every dawn until they are taken or left.
    A file whose name does not say that it is an image is opened for its first bytes.
    """
    files = [(file, False) for night in sorted(nights) for file in seen.not_taken.get(night, ())]
    before = sorted(set(earlier) - set(nights))
    files += [(file, True) for night in before for file in seen.not_taken.get(night, ())]
    if not files:
        return ()
    taken = {_place(seen, file) for file in _all_files(seen)}
    groups: dict[tuple[str, str, bool], list[str]] = {}
    for file, images_only in files:
        if _place(seen, file) in taken:  # by another source
            continue
        is_image = _is_image(seen, file, medium)
        if is_image or not images_only:
            groups.setdefault((file.source, _ending(file.path), is_image), []).append(file.path)
    return tuple(NotTaken(*key, tuple(sorted(paths))) for key, paths in sorted(groups.items()))


def count_images(groups: Iterable[NotTaken]) -> int:
    """Count the images among what is not taken."""
    return sum(len(group.paths) for group in groups if group.are_images)


def _all_files(seen: Survey) -> Iterable[SourceFile]:
    return (file for files in seen.nights.values() for file in files)


def _place(seen: Survey, file: SourceFile) -> str:
    return os.path.normcase(os.path.normpath(seen.path_of(file)))


def _ending(path: str) -> str:
    name = path.rpartition("/")[2]
    stem, dot, ending = name.rpartition(".")
    return f".{ending.lower()}" if dot and stem else ""


def _is_image(seen: Survey, file: SourceFile, medium: Medium) -> bool:
    if looks_like_an_image(file.path):
        return True
    try:
        with os.fdopen(medium.open_source(seen.path_of(file)), "rb", buffering=0) as opened:
            return begins_like_an_image(opened.read(IMAGE_BEGINNING_BYTES))
    except OSError:
        return False
