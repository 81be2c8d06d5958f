"""A bag on a drive, ours or anybody's, as files that have to be filed, each with what the bag says of it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from manifests.bags.bag import read_bag
from manifests.bags.entries import Entry
from manifests.bags.hashing import Job, digest_files, read_plainly
from manifests.bags.inventory import Expected, Inventory, take_inventory
from manifests.bags.paths import JOURNAL, MANIFEST_NAME, OWN, PAYLOAD
from manifests.bags.stored_names import portable_path
from manifests.bags.verify import oxum_findings
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame
from transfer.archive.dating import Dating, HeaderUnread
from transfer.engine.bag.listed import ListedBag
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.looking import HERE, Spelling
from transfer.engine.sources import SourceFile
from transfer.jobs.file.items import Acknowledgeable, Delivery, Item, Portion, Refusal


def bag_delivery(
    pinned: PinnedFolder, bag_path: str, dating: Dating, label: str, spelling: Spelling = HERE
) -> Delivery:
    """Read what a bag lists, and look at what is there; payload files are opened for their headers alone.

    `bag_path` is the bag's folder below the pinned one; the system is asked for it in its own
    `spelling`. Raises OSError, and NotABag.
    """
    folder = Path(spelling.asked(str(pinned.path / bag_path)))
    return _BagReader(pinned, bag_path, dating).delivery(label, folder)


class _BagReader:
    def __init__(self, pinned: PinnedFolder, bag_path: str, dating: Dating) -> None:
        self._pinned = pinned
        self._bag_path = bag_path
        self._dating = dating
        self._folder = pinned.path / bag_path
        self._entries: dict[str, Entry] = {}
        self._listed = ListedBag(pinned, bag_path)

    def delivery(self, label: str, folder: Path) -> Delivery:
        fingerprint = self._listed.fingerprint()
        bag = read_bag(folder)
        inventory = take_inventory(bag)
        faults = [*self._damaged_tag_files(inventory), *self._load_entries()]
        refusals = [self._refusal(found) for found in inventory.findings if _is_of_a_file(found, inventory)]
        faults += [self._shown(found) for found in inventory.findings if not _is_of_a_file(found, inventory)]
        items = list(self._items(inventory, refusals))
        if not inventory.findings and not refusals and not inventory.waiting:
            # A list that lost lines, with the files that they named, shows by this alone.
            size_bytes = sum(item.size_bytes for item in items)
            faults += map(self._shown, oxum_findings(bag, size_bytes, len(items)))
        may_answer = self._is_ours and not faults  # a bag that is not finished has one
        answer = Acknowledgeable(self._pinned.path, self._pinned, self._bag_path, fingerprint)
        return Delivery(
            label=label,
            root=self._folder,
            portions=iter([Portion(tuple(items))]),
            below=self._pinned,
            acknowledgeable=answer if may_answer else None,
            refusals=tuple(refusals),
            faults=tuple(faults),
        )

    @property
    def _is_ours(self) -> bool:
        return bool(self._entries) and not self._listed.damage

    def _damaged_tag_files(self, inventory: Inventory) -> Iterator[Finding]:
        comparable = (
            (path, tuple(one for one in expected if one.manifest.algorithm is not None))
            for path, expected in inventory.tags.items()
        )
        jobs = (Job(path, inventory.file(path), expected) for path, expected in comparable if expected)
        with contextlib.closing(
            digest_files(inventory.folder, jobs, read_plainly, lambda _: None)
        ) as digested:
            for each in digested:
                if each.wrong or each.unreadable:
                    kind = FindingKind.UNREADABLE if each.unreadable else FindingKind.CHANGED
                    yield self._shown(Finding(kind, each.unreadable or each.wrong, each.job.path))

    def _load_entries(self) -> Iterator[Finding]:
        """Read the bag's entries and its journal; entries that are damaged are left out."""
        if self._pinned.stat(f"{self._bag_path}/{OWN}") is None:
            return  # somebody else's bag
        self._listed.load(lambda entry: self._entries.__setitem__(entry.path, entry))
        if self._listed.damage:
            self._entries.clear()
            yield self._shown(Finding(FindingKind.CHANGED, self._listed.damage))
        for path, entry in self._listed.left_whole().items():
            self._entries.setdefault(path, entry)

    def _refusal(self, found: Finding) -> Refusal:
        return Refusal(str(self._folder / found.path), self._shown(found))

    def _shown(self, found: Finding) -> Finding:
        return Finding(found.kind, found.detail, str(self._folder / found.path))

    def _items(self, inventory: Inventory, refusals: list[Refusal]) -> Iterator[Item]:
        listed_as = {on_disk: listed for listed, on_disk in inventory.respelled.items()}
        unread: list[tuple[str, Sequence[Expected]]] = []
        for path, expected in sorted((inventory.payload | inventory.waiting).items()):
            reason = _why_not(path, expected, inventory)
            if reason:
                refusals.append(self._refusal(Finding(FindingKind.NOT_FILED, reason, path)))
                continue
            entry = self._entries.get(listed_as.get(path, path))
            try:
                yield self._item(path, tuple(expected), entry, inventory)
            except HeaderUnread:
                unread.append((path, expected))
        for path, listed in unread:
            try:
                yield self._item_without_entry(path, tuple(listed), inventory)
            except HeaderUnread as error:
                refusals.append(self._refusal(Finding(FindingKind.NOT_FILED, str(error), path)))

    def _item(
        self, path: str, expected: tuple[Expected, ...], entry: Entry | None, inventory: Inventory
    ) -> Item:
        if entry is None:
            return self._item_without_entry(path, expected, inventory)
        size_bytes = inventory.contents.files[path].size_bytes
        file = SourceFile(entry.source, entry.original, size_bytes, entry.modified_ns, entry.created_ns)
        frame = entry.frame
        if self._dating.has_own_keywords and looks_like_a_frame(path):
            with contextlib.suppress(HeaderUnread):
                frame = self._dating.look(inventory.folder / path).frame or frame
        opened, shown = f"{self._bag_path}/{path}", str(self._folder / path)
        stored = path.removeprefix(f"{PAYLOAD}/")
        night, findings = self._dating.night_again(frame, entry.night)
        return Item(file, opened, shown, stored, night, frame, entry, expected, findings)

    def _item_without_entry(self, path: str, expected: tuple[Expected, ...], inventory: Inventory) -> Item:
        stamp, below = inventory.contents.files[path], path.removeprefix(f"{PAYLOAD}/")
        source = portable_path(self._folder.name)
        file = SourceFile(source, below, stamp.size_bytes, stamp.modified_ns, None)
        inspection = self._dating.look(inventory.folder / path)
        night, findings = self._dating.night(inspection, file.modified_ns)
        opened, shown, stored = f"{self._bag_path}/{path}", str(self._folder / path), f"{source}/{below}"
        return Item(file, opened, shown, stored, night, inspection.frame, None, expected, findings)


def _is_of_a_file(found: Finding, inventory: Inventory) -> bool:
    """Return whether a finding means that a file of the payload is not to be had, or not to be relied on."""
    manifest = MANIFEST_NAME.fullmatch(found.path)
    hostile = manifest is not None and not manifest[1] and found.detail.startswith("line ")
    named = found.path.startswith(f"{PAYLOAD}/") and found.path not in inventory.payload
    return (hostile or named) and found.path != JOURNAL


def _why_not(path: str, expected: list[Expected], inventory: Inventory) -> str:
    if path in inventory.real:
        return "is a link: file what it leads to"
    if all(one.manifest.algorithm is None for one in expected):
        return "no manifest has a digest of it that this program can make"
    return ""
