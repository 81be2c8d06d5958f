"""What another archive has, as files that have to be filed: each with its entry and its place there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from manifests.bags.algorithms import SHA256
from manifests.bags.declared import Manifest
from manifests.bags.entries import Entry
from manifests.bags.inventory import Expected
from manifests.bags.paths import MANIFEST, PAYLOAD
from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.bags import ArchiveBag, label_in
from transfer.archive.held import OpenArchive
from transfer.archive.layout import ArchivePlace, Owner, owner_of_label
from transfer.engine.sources import SourceFile
from transfer.jobs.file.items import Delivery, Item, Portion

_LISTED = Manifest(MANIFEST, SHA256, {}, {})


def archive_deliveries(archive: OpenArchive, label: str) -> Iterator[Delivery]:
    """Yield each bag of an archive. Nothing is opened but lists; a bag whose list is damaged is a fault.

    Raises OSError.
    """
    for bag in bags_of(archive.root).bags:
        listed, entries = ArchiveBag(archive.folder, bag), list[Entry]()
        listed.load(entries.append)
        root = archive.root / bag
        faults = (Finding(FindingKind.CHANGED, listed.damage, str(root)),) if listed.damage else ()
        owner = owner_of_label(label_in(archive.folder, bag) or "", bag)
        items = () if listed.damage else tuple(_item(entry, bag, root, owner) for entry in entries)
        yield Delivery(
            label=f"{bag} of {label}",
            root=root,
            portions=iter([Portion(items)]),
            below=archive.folder,
            faults=faults,
        )


def _item(entry: Entry, bag: str, root: Path, owner: Owner) -> Item:
    size_bytes, digest = entry.size_bytes, bytes.fromhex(entry.digests.sha256)
    return Item(
        file=SourceFile(entry.source, entry.original, size_bytes, entry.modified_ns, entry.created_ns),
        opened=f"{bag}/{entry.path}",
        shown=str(root / entry.path),
        stored=entry.path.removeprefix(f"{PAYLOAD}/"),
        night=entry.night,
        frame=entry.frame,
        entry=entry,
        expected=(Expected(_LISTED, digest),),
        place=ArchivePlace(owner, entry.path),
    )
