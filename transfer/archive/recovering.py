"""What an earlier run left in the archive: bags with files that stand whole and are not listed yet."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from manifests.bags.paths import JOURNAL, PAYLOAD
from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.bags import files_below, label_in
from transfer.archive.held import OpenArchive, archive_failure
from transfer.archive.layout import NIGHTS, Owner, label_of_entry, owner_of_night
from transfer.archive.moving import finish_moves
from transfer.archive.shelf import Shelf
from transfer.engine.bag.journal import journal_entries
from transfer.engine.medium import PinnedFolder
from transfer.errors import NightferryError


def recover(archive: OpenArchive, shelf: Shelf) -> list[Finding]:
    """Prove what a run that died left whole, list it, and finish its bags; return what is wrong with any.

    What it left half written is removed, and moves that it had begun are finished. What is not what was
    written is kept apart, in the bag's nightferry/set-aside. Raises NightferryError where the archive can't
    be read.
    """
    try:
        shelf.remove_parts()
        unfinished = [bag for bag in bags_of(archive.root).bags if _is_unfinished(archive.folder, bag)]
        found = [finding for bag in unfinished for finding in _recovered(archive, shelf, bag)]
        shelf.forget()  # what was listed just now counts
        return [*found, *finish_moves(archive, shelf)]
    except OSError as error:
        raise archive_failure(error, archive.root) from error


def _is_unfinished(folder: PinnedFolder, bag: str) -> bool:
    return folder.stat(f"{bag}/{JOURNAL}") is not None


def _recovered(archive: OpenArchive, shelf: Shelf, bag: str) -> Iterator[Finding]:
    try:
        owner = _owner_of(archive.folder, bag)
        if owner is None:
            for path in shelf.free(bag):
                detail = "an earlier run did not come to its end, and no list knows of this: kept apart"
                yield Finding(FindingKind.NOT_FILED, detail, str(archive.root / bag / path))
            return
        shelf.recover(bag, owner)
        shelf.prove(lambda _: None, lambda: True)
        for path in sorted(shelf.bad_in(bag)):
            shelf.give_up(bag, path, source_is_there=False)
            detail = "an earlier run did not come to its end, and this is not what it wrote: kept apart"
            yield Finding(FindingKind.NOT_FILED, detail, str(archive.root / bag / path))
        shelf.publish(bag)
    except NightferryError as error:
        yield Finding(FindingKind.UNFINISHED, error.happened, str(archive.root / bag))


def _owner_of(folder: PinnedFolder, bag: str) -> Owner | None:
    """Return whose a bag is, by its own label or by what was filed into it; None where neither says."""
    label = label_in(folder, bag)
    if label is not None:
        return Owner(bag, label)
    first = next((entry for _, entry in journal_entries(folder, f"{bag}/{JOURNAL}")), None)
    return _owner_by_place(folder, bag) if first is None else Owner(bag, label_of_entry(first, bag))


def _owner_by_place(folder: PinnedFolder, bag: str) -> Owner | None:
    """Return the night that a bag without files lies under: one that was begun for a verdict alone."""
    below, _, name = bag.rpartition("/")
    if below != NIGHTS or any(files_below(folder, f"{bag}/{PAYLOAD}")):
        return None
    try:
        return owner_of_night(date.fromisoformat(name))
    except ValueError:
        return None
