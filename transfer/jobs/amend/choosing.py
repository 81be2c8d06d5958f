"""The frames that a person means: by path, or by the same questions as lists of frames."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import NamedTuple

from manifests.bags.entries import Entry
from manifests.bags.stored_names import same_name_key
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame, looks_like_an_image
from manifests.index.faults import IndexFault
from manifests.index.found_bags import bags_of
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.opening import open_index
from transfer.archive.held import OpenArchive
from transfer.archive.shelf import Shelf
from transfer.errors import NightferryError


@dataclass(frozen=True, slots=True)
class Choice:
    """Which frames are meant: those at or below `paths`, or those that a question finds.

    With neither, all frames of the archive that were never amended.
    """

    paths: tuple[Path, ...] = ()
    query: FrameQuery | None = None


class Listed(NamedTuple):
    """A file that a bag of the archive lists."""

    bag: str
    entry: Entry

    @property
    def place(self) -> str:
        """Its path below the archive."""
        return f"{self.bag}/{self.entry.path}"

    @property
    def is_image(self) -> bool:
        """Whether it is a frame, or an image that may be one."""
        path = self.entry.path
        return self.entry.frame is not None or looks_like_a_frame(path) or looks_like_an_image(path)


@dataclass(slots=True)
class Chooser:
    """Finds frames in an archive that is held or looked at; `findings` say what could not be found."""

    archive: OpenArchive
    shelf: Shelf
    index: Path
    findings: list[Finding]

    def chosen(self, choice: Choice) -> list[Listed]:
        """Return the frames that are meant. Raises OSError and NightferryError."""
        if choice.paths:
            return [each for each in self.at(choice.paths) if each.is_image]
        if choice.query is not None:
            return self._found_by(choice.query)
        return [
            each
            for each in self._all(bags_of(self.archive.root).bags)
            if each.is_image and not each.entry.is_amended
        ]

    def at(self, paths: Iterable[Path]) -> list[Listed]:
        """Return what bags list at or below paths, which need not be there; a path of none is a finding."""
        found: dict[str, Listed] = {}
        bags = bags_of(self.archive.root).bags
        for path in paths:
            below = _below(self.archive.root, path)
            if below is None:
                self._note(FindingKind.MISSING, "is not in the archive", path)
                continue
            wanted = same_name_key(below)
            listed = [one for one in self._all(_around(bags, wanted)) if _is_at(one.place, wanted)]
            found |= {one.place: one for one in listed}
            if not listed:
                self._note(FindingKind.MISSING, "no bag of the archive lists it", path)
        return list(found.values())

    def _found_by(self, query: FrameQuery) -> list[Listed]:
        places: dict[str, set[str]] = {}
        try:
            with open_index(self.index) as index:
                for row in frames(index, query):
                    if row.absent:
                        self._note(FindingKind.MISSING, "its bag is not there now", f"{row.bag}/{row.path}")
                    else:
                        places.setdefault(row.bag, set()).add(row.path)
        except IndexFault as fault:
            raise NightferryError(fault.happened, fault.path, fault.next_step) from fault
        return [each for each in self._all(places) if each.entry.path in places[each.bag]]

    def _all(self, bags: Iterable[str]) -> Iterator[Listed]:
        for bag in bags:
            try:
                self.shelf.listed(bag)
                yield from (Listed(bag, entry) for entry in self.shelf.listed(bag).entries())
            except NightferryError as error:
                self._note(FindingKind.CHANGED, error.happened, bag)

    def _note(self, kind: FindingKind, detail: str, path: Path | str) -> None:
        self.findings.append(Finding(kind, detail, str(self.archive.root / path)))


def _below(root: Path, path: Path) -> str | None:
    """Return a path, as it was typed or as lists show it, below the archive; None where it lies outside."""
    tried = [(os.path.abspath(root), os.path.abspath(path)), (os.path.realpath(root), os.path.realpath(path))]  # noqa: PTH100
    if not path.is_absolute():
        tried.append((os.path.abspath(root), os.path.abspath(root / path)))  # noqa: PTH100
    for base, whole in tried:
        if PurePath(whole).is_relative_to(base):
            return PurePath(whole).relative_to(base).as_posix()
    return None


def _around(bags: Collection[str], wanted: str) -> list[str]:
    """Return the bags at or below a path (by its key), and the one that it lies in."""
    return [bag for bag in bags if _is_at(bag, wanted) or _is_at(wanted, same_name_key(bag))]


def _is_at(place: str, wanted: str) -> bool:
    """Return whether a place is at or below a path that is given by its key."""
    key = same_name_key(place)
    return wanted == "." or key == wanted or key.startswith(f"{wanted}/")
