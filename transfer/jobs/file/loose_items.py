"""A folder without a bag, from years before, as files to be filed."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from pathlib import Path

from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from transfer.config import Source
from transfer.engine.drive import MARK_NAME, RECEIPT_NAME
from transfer.engine.sources import SourceFile, walk
from transfer.jobs.file.dating import Dating, HeaderUnread
from transfer.jobs.file.items import Delivery, Item, Refusal, not_filed

# So many files are carried and published together: little enough to be done again after a power cut.
_PORTION_FILES = 2000


def loose_delivery(folder: Path, keep_out: Collection[Path], dating: Dating) -> Delivery:
    """Take all files at or below a folder, but not those in the folders of `keep_out`.

    Raises NotThere where the folder cannot be listed.
    """
    name = portable_path(folder.resolve().name.replace("/", "_"))
    delivery = Delivery(label=str(folder), root=folder, portions=iter(()))
    files = walk(Source(name, folder), keep_out)
    delivery.portions = _portions(folder, files, dating, delivery)
    return delivery


def _portions(
    folder: Path, files: Iterator[SourceFile | Finding], dating: Dating, delivery: Delivery
) -> Iterator[list[Item]]:
    portion: list[Item] = []
    unread: list[SourceFile] = []
    for found in files:
        if isinstance(found, Finding):
            _keep(found, folder, delivery)
            continue
        if _is_a_drive_s_own(found, folder):
            continue
        try:
            portion.append(_item(found, folder, dating))
        except HeaderUnread:
            unread.append(found)
        if len(portion) == _PORTION_FILES:
            yield _in_order(portion)
            portion = []
    portion += _looked_at_again(unread, folder, dating, delivery)
    if dating.guess is not None and dating.guessed:
        delivery.findings.append(dating.guess)
    if portion:
        yield _in_order(portion)


def _looked_at_again(
    unread: list[SourceFile], folder: Path, dating: Dating, delivery: Delivery
) -> Iterator[Item]:
    """Look once more at frames that could not be opened; refuse those that still can't."""
    for file in unread:
        try:
            yield _item(file, folder, dating)
        except HeaderUnread as error:
            delivery.refusals.append(not_filed(str(folder / file.path), str(error)))


def _is_a_drive_s_own(file: SourceFile, folder: Path) -> bool:
    """Tell the mark and the receipt of a drive, or of a copy of one, from a person's files."""
    whole = folder / file.path
    return whole.name in (MARK_NAME, RECEIPT_NAME) and os.path.lexists(whole.with_name(MARK_NAME))


def _in_order(portion: list[Item]) -> list[Item]:
    return sorted(portion, key=lambda item: item.file.path)


def _item(file: SourceFile, folder: Path, dating: Dating) -> Item:
    whole = folder / file.path
    inspection = dating.look(whole)
    night, findings = dating.night(inspection, file.modified_ns)
    stored = f"{file.source}/{file.path}"
    return Item(file, str(whole), str(whole), stored, night, inspection.frame, findings=findings)


def _keep(found: Finding, folder: Path, delivery: Delivery) -> None:
    shown = str(folder / found.path)
    about = Finding(found.kind, found.detail, shown)
    if found.kind is FindingKind.UNREADABLE:
        delivery.refusals.append(Refusal(shown, about))
    else:
        delivery.findings.append(about)
