"""What is to become of each file: where it belongs, and whether the archive has it already."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.index.holdings import Holding
from transfer.archive.contents import Holdings
from transfer.archive.layout import place_of
from transfer.archive.naming import Namer
from transfer.archive.shelf import Shelf
from transfer.engine.limits import FileSystemLimits, cannot_hold
from transfer.engine.medium import Medium
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.errors import NightferryError
from transfer.jobs.file.items import Item, Refusal, not_filed

Found = Mapping[str, tuple[Holding, ...]]


@dataclass(slots=True, eq=False)
class Planned:
    """One file and its place: the bag, and the path there that it would have if nobody else had it.

    `claimed` is the path that it got, once it came; with `replaces` it takes the place of its older part, or
    of itself where the archive has lost it. `said` are the findings that its entry has.
    """

    item: Item
    bag: str
    path: str
    target: str | None = None
    filter: str | None = None
    findings: tuple[Finding, ...] = ()
    claimed: str = ""
    replaces: bool = False
    said: tuple[Finding, ...] = ()

    @property
    def wanted(self) -> str:
        """Where in the archive it would be."""
        return f"{self.bag}/{self.path}"


class There(NamedTuple):
    """A file that the archive has already, and where."""

    planned: Planned
    to: str


@dataclass(slots=True)
class Plan:
    """What is to become of some files."""

    carry: list[Planned] = field(default_factory=list)
    there: list[There] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)

    @property
    def carry_bytes(self) -> int:
        """How much is to be carried."""
        return sum(planned.item.size_bytes for planned in self.carry)


@dataclass(frozen=True, slots=True)
class Planner:
    """Decides for files in the order in which they come. Raises OSError where the archive can't be read."""

    namer: Namer
    shelf: Shelf
    holdings: Holdings
    medium: Medium
    limits: FileSystemLimits | None

    def plan(self, items: list[Item]) -> Plan:
        """Plan for some files. Those without a name are placed after those with one."""
        self.namer.meet(item.frame for item in items if item.frame is not None)
        plan = Plan()
        digests: dict[Planned, str | None] = {}
        for item in items:
            try:
                planned = self._placed(item)
                digests[planned] = item.sha256 or self._looked_into(planned)
            except NightferryError as error:
                plan.refusals.append(not_filed(item.shown, error.happened))
        found = self.holdings.of(sha256 for sha256 in digests.values() if sha256 is not None)
        for planned, sha256 in digests.items():
            self._decide(planned, self.there(planned, sha256, planned.item.size_bytes, found), plan)
        return plan

    def _decide(self, planned: Planned, to: str, plan: Plan) -> None:
        reason = "" if to else self._cannot_hold(planned)
        if to:
            plan.there.append(There(planned, to))
        elif reason:
            plan.refusals.append(not_filed(planned.item.shown, reason))
        else:
            plan.carry.append(planned)

    def _cannot_hold(self, planned: Planned) -> str:
        """Return why the archive's disk can't hold a file under its name; empty where it can."""
        known = self.limits and cannot_hold(self.limits, planned.wanted, planned.item.size_bytes)
        return known or self.shelf.refuses_name(planned.wanted)

    def _placed(self, item: Item) -> Planned:
        names = None if item.frame is None else self.namer.names(item.frame, item.night)
        place = place_of(item.frame, names, item.night, item.stored)
        findings = (*item.findings, *(() if names is None else names.findings), *_no_type(item))
        bag = self.shelf.bag_of(place.owner)
        self.shelf.listed(bag)  # one whose list is damaged takes nothing
        if names is None:
            return Planned(item, bag, place.path, findings=findings)
        return Planned(item, bag, place.path, names.target, names.filter, findings)

    def there(self, planned: Planned, sha256: str | None, size_bytes: int, found: Found) -> str:
        """Return where the archive has a content already; empty where it has not."""
        if sha256 is None:
            return ""
        for holding in found.get(sha256, ()):
            counts = stands_for(planned, holding.bag, holding.path)
            if counts and self.shelf.has(holding.bag, holding.path, size_bytes):
                return f"{holding.bag}/{holding.path}"
        listed = self.shelf.listed(planned.bag)
        there = listed.holds_at(planned.path, sha256) or listed.is_part_of(planned.path, size_bytes, sha256)
        return planned.wanted if there else ""

    def _looked_into(self, planned: Planned) -> str | None:
        """Digest a file that no bag vouches for, where one of its size lies where it would go.

        So a folder that was filed before is read, and nothing is written.
        """
        item = planned.item
        folder = planned.path.rpartition("/")[0]
        if item.expected or item.size_bytes not in self.shelf.listed(planned.bag).sizes_in(folder):
            return None
        try:
            return self._digest(item)
        except OSError:
            return None  # met again, and told, when it is to be carried

    def _digest(self, item: Item) -> str:
        digest = hashlib.sha256()
        with os.fdopen(self.medium.open_source(item.opened), "rb", buffering=0) as file:
            while block := file.read(BLOCK_BYTES):
                digest.update(block)
        return digest.hexdigest()


def stands_for(planned: Planned, bag: str, path: str) -> bool:
    """Return whether the same content at a place in the archive is this file.

    The same content is the same frame, wherever it lies. A log that a bag brings is its night's own,
    even where another night's says the same; and an empty file is known by its name alone.
    """
    if bag == planned.bag and path == planned.path:
        return True
    own = planned.item.frame is None and planned.item.entry is not None
    return planned.item.size_bytes > 0 and (bag == planned.bag or not own)


def _no_type(item: Item) -> Iterator[Finding]:
    """Return why a frame goes with its night."""
    if item.frame is not None and item.frame.frame_type is None:
        said = item.frame.image_type
        what = f"its header says {said!r}" if said else "its header does not say what it is"
        yield Finding(FindingKind.NO_TYPE, f"{what}: it is filed with its night")
