"""A night's bag as it lies on a drive: its list, from the records where they have it, and its files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from manifests.bags.entries import Entry, EntryError
from manifests.bags.paths import SET_ASIDE
from manifests.findings import Finding, FindingKind
from transfer.engine.bag.found_damaged import found_damaged
from transfer.engine.bag.listed import Known, ListedBag
from transfer.engine.drive import OpenDrive
from transfer.engine.medium import PinnedFolder
from transfer.engine.records import Records
from transfer.engine.sizes import Sizes
from transfer.jobs.send.plan import NightPlan


def unfinished_nights(folder: PinnedFolder) -> frozenset[date]:
    """Return the nights on a drive that an earlier run did not bring to their end. Raises OSError."""
    nights = (_as_night(name) for name, is_folder in folder.names("") if is_folder)
    return frozenset(n for n in nights if n is not None and ListedBag(folder, n.isoformat()).unfinished)


def _as_night(name: str) -> date | None:
    try:
        night = date.fromisoformat(name)
    except ValueError:
        return None
    return night if night.isoformat() == name else None


def listed_bag(drive: OpenDrive, night: date, records: Records) -> ListedBag:
    """Look at a night's bag on a drive; its list comes from the records where they are of the same bag.

    Raises OSError.
    """
    bag = ListedBag(drive.folder, night.isoformat())
    bag.found_damaged = found_damaged(bag, records, drive.mark.id, night)
    fingerprint = bag.fingerprint()
    remembered = None if fingerprint is None else records.bag(drive.mark.id, night, fingerprint)
    if remembered is not None:
        bag.recall(remembered)
        return bag
    own = records.own_in_bag(drive.mark.id, night)

    def is_own(entry: Entry) -> bool:
        return (entry.path, entry.digests.sha256) in own

    memory = records.remember_bag(drive.mark.id, night)
    try:
        bag.load(lambda entry: memory.add(entry, is_own(entry)), is_own)
        if fingerprint is not None and not bag.damage:
            memory.keep(fingerprint)
    finally:
        memory.drop()
    return bag


def remember_compared(plan: NightPlan, records: Records) -> None:
    """Keep what a comparison has found of a night with nothing to do. Raises OSError."""
    fingerprint = plan.listed.fingerprint()
    memory = records.remember_bag(plan.drive.mark.id, plan.night)
    try:
        for entry in plan.listed.entries():
            memory.add(entry, entry.path not in plan.not_own)
        if fingerprint is not None:
            memory.keep(fingerprint)
    except EntryError:
        return  # the list was damaged since: the next run meets that
    finally:
        memory.drop()


class Present:
    """The files of a bag that are there as they are listed, and what became of the others."""

    def __init__(self, bag: ListedBag, drive: str, wrong: Mapping[str, str] | None = None) -> None:
        self._bag, self._drive = bag, drive
        self._wrong = dict.fromkeys(bag.found_damaged, "it was found damaged since") | dict(wrong or {})
        self._sizes = Sizes(bag.folder)

    def _size_of(self, path: str) -> int | None:
        return self._sizes.of(self._bag.at(path))

    def has(self, known: Known) -> bool:
        """Return whether a listed file is there with its size, and was not found damaged or different."""
        return self._size_of(known.path) == known.size_bytes and known.path not in self._wrong

    def what_became_of(self, known: Known) -> Finding:
        """Return the finding of a listed file that is not there as it was."""
        where = f"{self._drive}/{self._bag.path}/{known.path}"
        size_bytes = self._size_of(known.path)
        if size_bytes is None:
            detail = "an earlier run proved it; it is to be carried again (nightferry check proves the rest)"
            return Finding(FindingKind.MISSING, detail, where)
        wrong = self._wrong.get(known.path, f"it has {size_bytes} bytes instead of {known.size_bytes}")
        detail = (
            f"an earlier run proved it, and {wrong}; it is to be carried again, and what is there kept in "
            f"{SET_ASIDE} (nightferry check proves the rest)"
        )
        return Finding(FindingKind.CHANGED, detail, where)
