"""Files that a person deleted or moved within the archive by hand: the bags are made true again."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from manifests.bags.corrections import Correction, Words
from manifests.bags.entries import Entry
from manifests.bags.paths import PAYLOAD
from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import FrameType
from manifests.index.found_bags import bags_of
from transfer.archive.bags import files_below, label_in
from transfer.archive.held import OpenArchive
from transfer.archive.layout import owner_of_label
from transfer.archive.shelf import Shelf
from transfer.archive.statements import add_statements
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.jobs.amend.choosing import Listed
from transfer.jobs.amend.outcome import FrameResult, State


@dataclass(frozen=True, slots=True)
class Gone:
    """Takes files that are not there any more out of their bags; `refused` says which are there.

    One that lies, on no list, in the payload of some bag of the archive was moved by hand: it is listed
    there first. Raises OSError and NightferryError.
    """

    archive: OpenArchive
    shelf: Shelf
    refused: list[Finding]
    words: Words
    now: datetime

    def taken_out(self, listed: Sequence[Listed], *, dry_run: bool) -> list[FrameResult]:
        """Take out what is gone of these files; return what became of each, or with `dry_run` would."""
        gone = [each for each in listed if self.shelf.folder.stat(each.place) is None]
        if not gone:
            for each in listed:
                where = str(self.archive.root / each.place)
                self.refused.append(
                    Finding(FindingKind.NOT_AMENDED, "it is there: nothing was changed", where)
                )
            return []
        found = self._found_elsewhere(gone)
        if dry_run:
            return [_result(each, found.get(each.entry.digests.sha256), State.WOULD_BE_GONE) for each in gone]
        adopted = {sha256: self._adopt(each) for sha256, each in found.items()}
        for bag in dict.fromkeys(each.bag for each in gone):
            self._take_out(bag, [each for each in gone if each.bag == bag])
        return [_result(each, adopted.get(each.entry.digests.sha256), State.GONE) for each in gone]

    def _take_out(self, bag: str, gone: Sequence[Listed]) -> None:
        owner = owner_of_label(label_in(self.archive.folder, bag) or "", bag)
        statements = [
            Correction(each.entry.digests.sha256, self.words, self.now, {"path": each.place}).as_statement()
            for each in gone
        ]
        add_statements(self.archive, bag, owner, statements)
        self.shelf.take_out(bag, [each.entry.path for each in gone])

    # What was moved by hand

    def _found_elsewhere(self, gone: Sequence[Listed]) -> dict[str, Listed]:
        """Return, by content, files on no list that have the content of one that is gone."""
        by_size: dict[int, list[Listed]] = {}
        for each in gone:
            by_size.setdefault(each.entry.size_bytes, []).append(each)
        found: dict[str, Listed] = {}
        for bag, path, size_bytes in self._unlisted():
            alike = by_size.get(size_bytes, [])
            sha256 = self._sha256(f"{bag}/{path}") if alike else ""
            for each in alike:
                if each.entry.digests.sha256 == sha256 and sha256 not in found:
                    found[sha256] = self._as_it_lies(bag, path, each.entry)
        return found

    def _unlisted(self) -> Iterator[tuple[str, str, int]]:
        """Yield each file in a payload that its bag does not list: bag, path there, size."""
        for bag in bags_of(self.archive.root).bags:
            held = self.shelf.listed(bag).held
            for place in files_below(self.shelf.folder, f"{bag}/{PAYLOAD}"):
                path = place.removeprefix(f"{bag}/")
                facts = None if path in held or portable_path(path) != path else self.shelf.folder.stat(place)
                if facts is not None:
                    yield bag, path, facts.st_size

    def _sha256(self, place: str) -> str:
        digest = hashlib.sha256()
        try:
            with os.fdopen(self.shelf.folder.open_file(place), "rb", buffering=0) as file:
                while block := file.read(BLOCK_BYTES):
                    digest.update(block)
        except OSError:
            return ""  # a link, or not to be read: it is not what is looked for
        return digest.hexdigest()

    def _as_it_lies(self, bag: str, path: str, entry: Entry) -> Listed:
        """Return a file as the bag there will list it: a light is of the target whose bag it is."""
        kind, _, target = (label_in(self.archive.folder, bag) or "").partition(" ")
        frame = entry.frame
        if kind != "target" or frame is None or frame.frame_type is not FrameType.LIGHT:
            return Listed(bag, replace(entry, path=path))
        if target == entry.target:
            return Listed(bag, replace(entry, path=path))
        told = Finding(FindingKind.AMENDED, f"target {target}: moved there by hand")
        findings = tuple(one for one in entry.findings if one.kind is not FindingKind.AMENDED)
        amended = replace(frame, object_name=target)
        return Listed(
            bag, replace(entry, path=path, target=target, frame=amended, findings=(*findings, told))
        )

    def _adopt(self, found: Listed) -> Listed | None:
        """List a file where it lies, once it was read back; None where it turned out not to be whole."""
        self.shelf.adopt(found.bag, found.entry)
        self.shelf.prove(lambda _: None, lambda: True)
        if found.entry.path in self.shelf.bad_in(found.bag):
            self.shelf.give_up(found.bag, found.entry.path, source_is_there=False)
        self.shelf.publish(found.bag)
        return found if self.shelf.is_listed(found.place) else None


def _result(listed: Listed, found: Listed | None, state: State) -> FrameResult:
    if found is None:
        return FrameResult(listed.place, "", listed.entry, state)
    return FrameResult(listed.place, found.place, found.entry, State.FOUND if state is State.GONE else state)
