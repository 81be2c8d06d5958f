"""What has to become of each file: where it belongs, and whether the archive has it already."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from manifests.bags.entries import Entry
from manifests.findings import Finding
from manifests.index.holdings import Holding
from transfer.archive.as_proven import Look
from transfer.archive.contents import Holdings
from transfer.archive.held import OpenArchive
from transfer.archive.layout import NIGHTS, place_of, why_with_its_night
from transfer.archive.naming import Namer
from transfer.archive.shelf import Shelf
from transfer.engine.limits import FileSystemLimits, cannot_hold
from transfer.engine.medium import Medium, drive_has_left
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.errors import DoesNotFit, NightferryError
from transfer.jobs.file.items import Item, Refusal, not_filed
from transfer.words import size_told

# A file's name, and its lines in the lists; and what a file system may take for itself.
_EACH_FILE_BYTES, _ROOM_BYTES = 8 << 10, 16 << 20


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """One file, and the place in one archive that it would have if nothing else had it: a bag, a path in it.

    `findings` say what was not written in its header and was found out some other way. `amended` is its
    entry there, where a person's word stands in it.
    """

    item: Item
    bag: str
    path: str
    target: str | None = None
    filter: str | None = None
    findings: tuple[Finding, ...] = ()
    amended: Entry | None = None

    def instead_of(self, damaged: Damaged | None) -> Planned:
        """Return the file with its place where the archive has it no more as it was, if there is one."""
        if damaged is None:
            return self
        return replace(self, bag=damaged.bag, path=damaged.path, amended=damaged.amended)

    @property
    def wanted(self) -> str:
        """The place's path below the archive."""
        return f"{self.bag}/{self.path}"


@dataclass(frozen=True, slots=True, eq=False)
class InArchive:
    """One file, and the place in the archive where it lies now: it came there, or was there before.

    `findings` are those of its entry. With `replaces` it takes the place of its older part, or of what is
    left of it where the archive has lost it.
    """

    planned: Planned
    bag: str
    path: str
    findings: tuple[Finding, ...] = ()
    replaces: bool = False

    @property
    def to(self) -> str:
        """The place's path below the archive."""
        return f"{self.bag}/{self.path}"


class Damaged(NamedTuple):
    """A place in the archive that should have a file's content, and does not have it any more.

    `amended` is its entry there, where a person's word stands in it.
    """

    bag: str
    path: str
    amended: Entry | None


@dataclass(frozen=True, slots=True)
class Plan:
    """What has to become of some files: carried, there already, or refused."""

    carry: tuple[Planned, ...]
    there: tuple[InArchive, ...]
    refusals: tuple[Refusal, ...]

    @property
    def needed_bytes(self) -> int:
        """How much room the files that are carried need, with their names and their lines in lists."""
        return sum(planned.item.size_bytes + _EACH_FILE_BYTES for planned in self.carry)


class SourceDigests:
    """SHA-256 digests of files that come without one, each read once, whichever archive asks."""

    def __init__(self, medium: Medium) -> None:
        self._medium = medium
        self._of: dict[str, str] = {}

    def of(self, opened: str) -> str:
        """Return a file's SHA-256 (hexadecimal). Raises OSError."""
        if opened not in self._of:
            digest = hashlib.sha256()
            with os.fdopen(self._medium.open_source(opened), "rb", buffering=0) as file:
                while block := file.read(BLOCK_BYTES):
                    digest.update(block)
            self._of[opened] = digest.hexdigest()
        return self._of[opened]


@dataclass(frozen=True, slots=True)
class Planner:
    """Plans for one archive, for files in the order in which they come.

    Raises OSError where the archive cannot be read.
    """

    namer: Namer
    shelf: Shelf
    holdings: Holdings
    digests: SourceDigests
    limits: FileSystemLimits | None

    def plan(self, items: Sequence[Item]) -> Plan:
        """Plan for some files. Those without a name are placed after those with one."""
        self.namer.meet(item.frame for item in items if item.frame is not None)
        refusals: list[Refusal] = []
        digests: dict[Planned, str | None] = {}
        for item in items:
            try:
                planned = self._place(item)
                digests[planned] = item.sha256 or self._looked_into(planned)
            except NightferryError as error:
                refusals.append(not_filed(item.shown, error.happened))
        known = self.holdings.of(sha256 for sha256 in digests.values() if sha256 is not None)
        carry: list[Planned] = []
        there: list[InArchive] = []
        for planned, sha256 in digests.items():
            found = self.find(planned, sha256, planned.item.size_bytes, known)
            if isinstance(found, InArchive):
                there.append(found)
                continue
            to_carry = planned.instead_of(found)
            if reason := self._cannot_hold(to_carry):
                refusals.append(not_filed(to_carry.item.shown, reason))
            else:
                carry.append(to_carry)
        return Plan(tuple(carry), tuple(there), tuple(refusals))

    def _cannot_hold(self, planned: Planned) -> str:
        """Return why the archive's disk cannot hold a file under its name; empty where it can."""
        known = self.limits and cannot_hold(self.limits, planned.wanted, planned.item.size_bytes)
        return known or self.shelf.refuses_name(planned.wanted)

    def _place(self, item: Item) -> Planned:
        if item.place is not None and item.entry is not None:
            bag = self.shelf.bag_of(item.place.owner)
            self.shelf.listed(bag)
            return Planned(item, bag, item.place.path, item.entry.target, item.entry.filter)
        names = None if item.frame is None else self.namer.names(item.frame, item.night)
        place = place_of(item.frame, names, item.night, item.stored)
        findings = (
            *item.findings,
            *(() if names is None else names.findings),
            *why_with_its_night(item.frame),
        )
        bag = self.shelf.bag_of(place.owner)
        self.shelf.listed(bag)  # one whose list is damaged takes nothing
        if names is None:
            return Planned(item, bag, place.path, findings=findings)
        return Planned(item, bag, place.path, names.target, names.filter, findings)

    def find(
        self,
        planned: Planned,
        sha256: str | None,
        size_bytes: int,
        known: Mapping[str, tuple[Holding, ...]],
    ) -> InArchive | Damaged | None:
        """Return where the archive has a content already, or should have it and has it no more.

        `known` are the places that the index has for contents. The index is a cache: what counts is what the
        bag there lists, and that the file is as it was proven.
        """
        if sha256 is None:
            return None
        damaged: Damaged | None = None
        holdings = ((holding.bag, holding.path) for holding in known.get(sha256, ()))
        own = (planned.bag, planned.path)
        for bag, path in dict.fromkeys((*(place for place in holdings if stands_for(planned, *place)), own)):
            look = self._look(bag, path, sha256)
            if look is Look.AS_PROVEN:
                return InArchive(planned, bag, path)
            if look is Look.DAMAGED:
                damaged = damaged or Damaged(bag, path, self.shelf.amended(bag, path))
        return InArchive(planned, *own) if self._is_beginning(planned, size_bytes, sha256) else damaged

    def _look(self, bag: str, path: str, sha256: str) -> Look:
        try:
            return self.shelf.look(bag, path, sha256)
        except OSError as error:
            if drive_has_left(error):
                raise
            return Look.NOT_LISTED  # what cannot be read, or is no bag any more, vouches for nothing
        except NightferryError:
            return Look.NOT_LISTED  # nor does a bag whose list is damaged

    def _is_beginning(self, planned: Planned, size_bytes: int, sha256: str) -> bool:
        """Return whether a content is the beginning of a log that the archive has as it was proven."""
        listed = self.shelf.listed(planned.bag)
        longer = listed.held.get(planned.path)
        if longer is None or not listed.is_beginning(planned.path, size_bytes, sha256):
            return False
        return self._look(planned.bag, planned.path, longer.sha256) is Look.AS_PROVEN

    def _looked_into(self, planned: Planned) -> str | None:
        """Return the SHA-256 of a file without a bag, where one of its size lies in the folder it goes to.

        A folder that was filed before is read that way, and nothing is written.
        """
        item = planned.item
        folder = planned.path.rpartition("/")[0]
        if item.expected or item.size_bytes not in self.shelf.listed(planned.bag).sizes_in(folder):
            return None
        try:
            return self.digests.of(item.opened)
        except OSError:
            return None  # met again, and reported, when it is carried


def lack_of_room(what: str, needed_bytes: int, archive: OpenArchive) -> DoesNotFit | None:
    """Return how what has to be carried does not fit on the archive's disk; None where it does."""
    needed = needed_bytes + _ROOM_BYTES if needed_bytes else 0
    free = archive.folder.free_bytes()
    if needed <= free:
        return None
    room = f"there is room for {size_told(free)} at {archive.root}"
    happened = f"{what} needs {size_told(needed)}, and {room}"
    return DoesNotFit(happened, archive.root, "Make room on it, then file again.")


def stands_for(planned: Planned, bag: str, path: str) -> bool:
    """Return whether the same content at a place in the archive counts as this file.

    The same content is the same frame, wherever it lies. A log that a bag brings belongs to its night,
    even where another night has a log of the same content; an empty file is known by its name alone.
    """
    if bag == planned.bag and path == planned.path:
        return True
    own = planned.item.frame is None and planned.item.entry is not None and bag.startswith(f"{NIGHTS}/")
    return planned.item.size_bytes > 0 and (bag == planned.bag or not own)
