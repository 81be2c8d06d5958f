"""Updates the index from the archive: bags that are new, changed, moved, gone or back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.index.bag_lists import tag_manifest
from manifests.index.found_bags import FoundBag, FoundBags, TagStamp, bag_at
from manifests.index.opening import Index
from manifests.index.storing import Stored, fingerprint_of, know_by, store

_RECORDS = "SELECT id, path, present, fingerprint, tag_size_bytes, tag_modified_ns, tag_inode FROM bags"


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What an update changed in the index; bags are named by their paths below the archive.

    `read` are bags that were new or not as they were. `findings` are about bags, their paths those of
    the bag's own files; findings about a frame are kept with the frame.
    """

    bags: int = 0
    read: tuple[str, ...] = ()
    moved: tuple[tuple[str, str], ...] = ()
    vanished: tuple[str, ...] = ()
    returned: tuple[str, ...] = ()
    files_added: int = 0
    files_dropped: int = 0
    findings: tuple[Finding, ...] = ()


class _Record(NamedTuple):
    id: int
    path: str
    present: bool
    fingerprint: str | None
    stamp: TagStamp | None


def refresh(index: Index, found: FoundBags) -> Refreshed:
    """Update an index, open for writing, from the bags found in its archive.

    A bag whose tag manifest is as it was is not read. One that is gone stays in the index, marked as
    absent; one found under another path is the same bag. Each bag is one transaction.
    Raises IndexFault.
    """
    return _Refresh(index, found).run()


def update_bag(index: Index, archive: Path, folder: Path) -> Stored:
    """Update an index, open for writing, from one bag, whatever its stamp.

    Raises ValueError where the folder is not in the archive, OSError where the bag's tag manifest can't
    be read, and IndexFault.
    """
    bag = bag_at(archive, folder)
    with index.writing() as connection:
        return _below(bag, store(connection, bag))


def _below(bag: FoundBag, stored: Stored) -> Stored:
    """Name the files of a bag's findings below the archive."""
    findings = tuple(replace(one, path=f"{bag.path}/{one.path}") for one in stored.findings)
    return replace(stored, findings=findings)


@dataclass(slots=True)
class _Refresh:
    index: Index
    found: FoundBags
    read: list[str] = field(default_factory=list)
    moved: list[tuple[str, str]] = field(default_factory=list)
    returned: list[str] = field(default_factory=list)
    recognised: list[tuple[_Record, TagStamp | None]] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    files_added: int = 0
    files_dropped: int = 0

    def run(self) -> Refreshed:
        known = {record.path: record for record in _records(self.index)}
        gone = [record for path, record in known.items() if self._is_gone(path)]
        moved = self._moved(known, gone)
        for bag in self.found.bags.values():
            self._look_at(bag, moved.get(bag.path) or known.get(bag.path))
        left = {record.path for record in moved.values()}
        vanished = [record for record in gone if record.path not in left and record.present]
        self._keep_what_was_seen(vanished)
        return Refreshed(
            bags=len(self.found.bags),
            read=tuple(self.read),
            moved=tuple(self.moved),
            vanished=tuple(record.path for record in vanished),
            returned=tuple(self.returned),
            files_added=self.files_added,
            files_dropped=self.files_dropped,
            findings=(*self.found.unreadable, *self.findings),
        )

    def _is_gone(self, path: str) -> bool:
        return path not in self.found.bags and not self.found.may_lie_unseen(path)

    def _moved(self, known: Mapping[str, _Record], gone: list[_Record]) -> dict[str, _Record]:
        """Return the record of each moved bag, by its new path."""
        by_fingerprint = {record.fingerprint: record for record in gone if record.fingerprint}
        moved: dict[str, _Record] = {}
        for bag in self.found.bags.values() if by_fingerprint else ():
            if bag.path not in known:
                record = by_fingerprint.pop(self._fingerprint(bag) or "", None)
                if record is not None:
                    moved[bag.path] = record
        return moved

    def _fingerprint(self, bag: FoundBag) -> str | None:
        try:
            return fingerprint_of(tag_manifest(bag.folder))
        except OSError:
            return None

    def _look_at(self, bag: FoundBag, record: _Record | None) -> None:
        if record is not None and record.path != bag.path:
            with self.index.writing() as connection:
                connection.execute("UPDATE bags SET path = ? WHERE id = ?", (bag.path, record.id))
            self.moved.append((record.path, bag.path))
        elif record is not None and not record.present:
            self.returned.append(bag.path)
        if record is None or not self._is_as_it_was(bag, record):
            self._store(bag)

    def _is_as_it_was(self, bag: FoundBag, record: _Record) -> bool:
        """Return whether a bag is what the index says, by its stamp or else by its fingerprint."""
        if record.fingerprint is None:
            return False
        if record.present and record.stamp == bag.stamp is not None:
            return True
        if self._fingerprint(bag) != record.fingerprint:
            return False
        self.recognised.append((record, bag.stamp))
        return True

    def _store(self, bag: FoundBag) -> None:
        try:
            with self.index.writing() as connection:
                stored = _below(bag, store(connection, bag))
        except OSError as error:
            self.findings.append(Finding(FindingKind.UNREADABLE, error.strerror or str(error), bag.path))
            return
        self.read.append(bag.path)
        self.files_added += stored.added
        self.files_dropped += stored.dropped
        self.findings += stored.findings

    def _keep_what_was_seen(self, vanished: list[_Record]) -> None:
        """Mark the bags that are gone, and keep the new stamps of those that were recognised."""
        if not (vanished or self.recognised):
            return
        with self.index.writing() as connection:
            connection.executemany(
                "UPDATE bags SET present = 0 WHERE id = ?", [(one.id,) for one in vanished]
            )
            for record, stamp in self.recognised:
                know_by(connection, record.id, record.fingerprint, stamp)


def _records(index: Index) -> Iterator[_Record]:
    for number, path, present, fingerprint, *stamp in index.rows(_RECORDS):
        known_stamp = TagStamp(*stamp) if None not in stamp else None
        yield _Record(number, path, bool(present), fingerprint, known_stamp)
