"""What has to become of each frame that is meant: what its bag will say of it, and where it will lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from manifests.bags.corrections import CORRECTION, Said, said_of
from manifests.bags.entries import Entry, entry_line
from manifests.bags.statements import read_statements
from manifests.bags.stored_names import same_name_key
from manifests.findings import Finding, FindingKind
from transfer.archive.bags import label_in
from transfer.archive.held import OpenArchive
from transfer.archive.layout import ArchivePlace
from transfer.archive.shelf import Shelf
from transfer.engine.bag.lines import parent
from transfer.engine.limits import cannot_hold
from transfer.errors import NightferryError
from transfer.jobs.amend.amending import Amended, Amender, CannotAmend
from transfer.jobs.amend.choosing import Listed
from transfer.jobs.amend.outcome import FrameResult, State


@dataclass(frozen=True, slots=True)
class Change:
    """One frame, as it was and as it will be listed in the bag `to_bag`."""

    amended: Amended
    to_bag: str
    entry: Entry

    @property
    def listed(self) -> Listed:
        """The frame as its bag lists it now."""
        return self.amended.listed

    @property
    def is_one(self) -> bool:
        """Whether the frame goes to another place, or its bag would say anything else of it than now."""
        return self.is_move or entry_line(self.entry) != entry_line(self.listed.entry)

    @property
    def is_move(self) -> bool:
        """Whether it goes to another place."""
        return self.to != self.listed.place

    @property
    def to(self) -> str:
        """Its place below the archive afterwards."""
        return f"{self.to_bag}/{self.entry.path}"

    def result(self, state: State) -> FrameResult:
        """Return what became of the frame."""
        return FrameResult(self.listed.place, self.to, self.entry, state)


@dataclass(frozen=True, slots=True)
class Planner:
    """Plans for one archive; `refused` takes what cannot be amended. Raises OSError."""

    archive: OpenArchive
    shelf: Shelf
    amender: Amender
    refused: list[Finding]

    def changes(self, chosen: Sequence[Listed]) -> list[Change]:
        """Return what becomes of each frame, those that stay as they are included."""
        self.amender.meet(chosen)
        said = self._said(chosen)
        found: list[Change] = []
        for listed in chosen:
            try:
                amended = self.amender.amended(listed, said.get(listed.entry.digests.sha256, Said()))
                found.append(self._placed(amended))
            except CannotAmend as why:
                self._refuse(listed, str(why))
            except NightferryError as error:
                self._refuse(listed, error.happened)
        return found

    def _refuse(self, listed: Listed, why: str) -> None:
        where = str(self.archive.root / listed.place)
        self.refused.append(Finding(FindingKind.NOT_AMENDED, why, where))

    def _said(self, chosen: Sequence[Listed]) -> dict[str, Said]:
        """Return what was said of the frames before, by their contents."""
        found: dict[str, Said] = {}
        for bag in dict.fromkeys(listed.bag for listed in chosen):
            contents = {listed.entry.digests.sha256 for listed in chosen if listed.bag == bag}
            found |= said_of(read_statements(self.archive.root / bag, CORRECTION).statements, contents)
        return found

    def _placed(self, amended: Amended) -> Change:
        """Return a frame with the place that it gets. Raises CannotAmend and NightferryError."""
        listed, place = amended.listed, amended.place
        bag = listed.bag if place is None else self._bag(listed, place)
        if place is None or (bag == listed.bag and _is_in_folder_of(listed.entry.path, place.path)):
            return Change(amended, bag, amended.entry)
        path = self.shelf.listed(bag).claim(place.path)
        if why := self._cannot_hold(f"{bag}/{path}", amended.entry):
            raise CannotAmend(why)
        kept = [one for one in amended.entry.findings if one.kind is not FindingKind.KEPT_BOTH]
        both = Finding(FindingKind.KEPT_BOTH, f"the other is {place.path}")
        findings = kept if path == place.path else [*kept, both]
        return Change(amended, bag, replace(amended.entry, path=path, findings=tuple(findings)))

    def _bag(self, listed: Listed, place: ArchivePlace) -> str:
        """Return the bag that a frame belongs to: its own, whatever its folder is called, if that fits."""
        if label_in(self.archive.folder, listed.bag) == place.owner.label:
            return listed.bag
        return self.shelf.bag_of(place.owner)

    def _cannot_hold(self, place: str, entry: Entry) -> str:
        known = self.archive.limits and cannot_hold(self.archive.limits, place, entry.size_bytes)
        return known or self.shelf.refuses_name(place)


def _is_in_folder_of(path: str, place: str) -> bool:
    return same_name_key(parent(path)) == same_name_key(parent(place))
