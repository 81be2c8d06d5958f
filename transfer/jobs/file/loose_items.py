"""A folder without a bag, from years before, as files that have to be filed."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from pathlib import Path

from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from transfer.archive.dating import Dating, HeaderUnread
from transfer.config import Source
from transfer.engine.drive import MARK_NAME, RECEIPT_NAME
from transfer.engine.drive_key import KEY_NAME
from transfer.engine.sources import SourceFile, walk
from transfer.errors import NotThere
from transfer.jobs.file.items import Delivery, Item, Portion, Refusal, not_filed

# So many files are carried and published together: little enough to be done again after a power cut.
_PORTION_FILES = 2000


def loose_delivery(
    folder: Path, keep_out: Collection[Path], dating: Dating, *, may_be_empty: bool = True
) -> Delivery:
    """Return all files at or below a folder, but not those in the folders of `keep_out`.

    Raises NotThere where the folder cannot be listed; so does walking the portions, at their end, of a folder
    without a file that may not be empty: it may be the place of a disk that is not mounted.
    """
    name = portable_path(folder.resolve().name.replace("/", "_"))
    files = walk(Source(name, folder), keep_out)
    return Delivery(
        label=str(folder), root=folder, portions=_Portions(folder, dating, may_be_empty).of(files)
    )


class _Portions:
    """Gathers files into portions, with what is noticed on the way."""

    def __init__(self, folder: Path, dating: Dating, may_be_empty: bool) -> None:
        self._folder = folder
        self._may_be_empty = may_be_empty
        self._dating = dating
        self._items: list[Item] = []
        self._refusals: list[Refusal] = []
        self._findings: list[Finding] = []

    def of(self, files: Iterator[SourceFile | Finding]) -> Iterator[Portion]:
        """Yield the files in portions. A frame that cannot be opened is tried again after all others."""
        unread: list[SourceFile] = []
        found_any = self._may_be_empty
        for found in files:
            found_any = True
            if isinstance(found, Finding):
                self._note(found)
            elif not _is_a_drive_s_own(found, self._folder):
                try:
                    self._items.append(self._item(found))
                except HeaderUnread:
                    unread.append(found)
            if len(self._items) == _PORTION_FILES:
                yield self._portion()
        for file in unread:
            try:
                self._items.append(self._item(file))
            except HeaderUnread as error:
                self._refusals.append(not_filed(str(self._folder / file.path), str(error)))
        if self._dating.guess is not None and self._dating.guessed:
            self._findings.append(self._dating.guess)
        if not found_any:
            step = "Is the disk or share that belongs here mounted? Name the folder that the files are in."
            raise NotThere("There is no file in this folder", self._folder, step)
        yield self._portion()

    def _portion(self) -> Portion:
        items = sorted(self._items, key=lambda item: item.file.path)
        portion = Portion(tuple(items), tuple(self._refusals), tuple(self._findings))
        self._items, self._refusals, self._findings = [], [], []
        return portion

    def _item(self, file: SourceFile) -> Item:
        whole = self._folder / file.path
        inspection = self._dating.look(whole)
        night, findings = self._dating.night(inspection, file.modified_ns)
        stored = f"{file.source}/{file.path}"
        return Item(file, str(whole), str(whole), stored, night, inspection.frame, findings=findings)

    def _note(self, found: Finding) -> None:
        shown = str(self._folder / found.path)
        about = Finding(found.kind, found.detail, shown)
        if found.kind is FindingKind.UNREADABLE:
            self._refusals.append(Refusal(shown, about))
        else:
            self._findings.append(about)


def _is_a_drive_s_own(file: SourceFile, folder: Path) -> bool:
    """Return whether a file is the mark, the key or the receipt of a drive, or of a copy of one.

    A key is a secret: it is kept out of every bag, also where the mark is gone.
    """
    whole = folder / file.path
    if whole.name == KEY_NAME:
        return True
    return whole.name in (MARK_NAME, RECEIPT_NAME) and os.path.lexists(whole.with_name(MARK_NAME))
