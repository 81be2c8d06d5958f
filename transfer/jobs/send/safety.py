"""Which files of the sources are safe without this run: proven on a drive, or acknowledged by an archive.

A drive that is here is asked itself. What other drives hold, and what archives have acknowledged, is known
from this computer's records alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime

from transfer.engine.acknowledged import note
from transfer.engine.bag.listed import Known, ListedBag, Origin
from transfer.engine.drive import OpenDrive
from transfer.engine.records import Records
from transfer.engine.sources import SourceFile
from transfer.jobs.send.comparing import is_as_carried
from transfer.jobs.send.contents import SourceContents
from transfer.jobs.send.drive_bag import Present, listed_bag

# Size, time and SHA-256 of a source as it was when it was acknowledged.
_AsAcknowledged = tuple[int, int, str]


class Safety:
    """Answers for the drives of one run. Methods raise OSError where a drive cannot be read."""

    def __init__(
        self, records: Records, drives: Sequence[OpenDrive], now: datetime, contents: SourceContents
    ) -> None:
        self._records, self._drives, self._now, self._contents = records, drives, now, contents
        self._here = {drive.mark.id for drive in drives}
        self._folders = {drive: _folders(drive) for drive in drives}
        self._bags: dict[tuple[OpenDrive, date], ListedBag] = {}
        self._noted: set[tuple[OpenDrive, date]] = set()
        self._acknowledged: dict[date, dict[Origin, set[_AsAcknowledged]]] = {}

    def bag(self, drive: OpenDrive, night: date) -> ListedBag:
        """Return a night's bag on a drive, looked at once."""
        key = (drive, night)
        if key not in self._bags:
            there = night.isoformat() in self._folders[drive]
            self._bags[key] = (
                listed_bag(drive, night, self._records)
                if there
                else ListedBag(drive.folder, night.isoformat())
            )
        return self._bags[key]

    def there(self, drive: OpenDrive, night: date, files: Iterable[SourceFile]) -> set[SourceFile]:
        """Return the files that the drive has, proven and as they are, and that this computer sent itself."""
        bag = self.bag(drive, night)
        if not bag.known:
            return set()
        present = Present(bag, drive.name)
        return {file for file in files if any(map(present.has, self._own_versions(bag, file)))}

    def unsafe(self, night: date, files: Iterable[SourceFile]) -> set[SourceFile]:
        """Return the files that are proven on no drive and acknowledged by no archive."""
        left = set(files)
        for drive in self._drives:
            self._note_acknowledgements(drive, night)
            left -= self.there(drive, night, left)
        if left:
            left -= self.released(night, left)
        if left:
            left -= self._as_recorded(left, self._records.proven_elsewhere(night, self._here))
        return left

    def released(self, night: date, files: Iterable[SourceFile]) -> set[SourceFile]:
        """Return the files that may leave a drive by hand: an archive has them, or they were checked."""
        asked = list(files)
        return self.acknowledged(night, asked) | self._as_recorded(asked, self._records.checked(night))

    def acknowledged(self, night: date, files: Iterable[SourceFile]) -> set[SourceFile]:
        """Return the files that an archive has, by what was read on a drive in this run or an earlier one."""
        for drive in self._drives:
            self._note_acknowledgements(drive, night)
        if night not in self._acknowledged:
            known = self._acknowledged[night] = {}
            for origin, size_bytes, modified_ns, sha256 in self._records.acknowledged(night):
                known.setdefault(origin, set()).add((size_bytes, modified_ns, sha256))
        known = self._acknowledged[night]
        if not known:
            return set()
        return {
            file
            for file in files
            if any(self._is_as_it_was(file, was) for was in known.get((file.source, file.path), ()))
        }

    def _is_as_it_was(self, file: SourceFile, was: _AsAcknowledged) -> bool:
        size_bytes, modified_ns, sha256 = was
        if file.size_bytes != size_bytes:
            return False
        return file.modified_ns == modified_ns or self._contents.are(file, sha256)

    def _own_versions(self, bag: ListedBag, file: SourceFile) -> Iterator[Known]:
        versions = bag.versions((file.source, file.path))
        return (known for known in versions if known.own and is_as_carried(file, known, self._contents))

    def _as_recorded(
        self, files: Iterable[SourceFile], rows: Iterable[tuple[Origin, Known]]
    ) -> set[SourceFile]:
        recorded = list(rows)
        by_origin = {(file.source, file.path): file for file in files} if recorded else {}
        return {
            by_origin[origin]
            for origin, known in recorded
            if origin in by_origin and known.own and is_as_carried(by_origin[origin], known, self._contents)
        }

    def _note_acknowledgements(self, drive: OpenDrive, night: date) -> None:
        """Keep in the records what acknowledgements in a bag say of files that this computer sent."""
        if (drive, night) in self._noted:
            return
        self._noted.add((drive, night))
        bag = self.bag(drive, night)
        fingerprint = bag.fingerprint() if bag.known else None
        if fingerprint is None or self._records.has_acknowledgements_of(drive.mark.id, night, fingerprint):
            return
        note(bag, drive.mark.id, night, self._records, self._now)


def _folders(drive: OpenDrive) -> set[str]:
    return {name for name, is_folder in drive.folder.names("") if is_folder}
