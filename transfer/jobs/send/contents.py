"""The contents of sources and of their copies on a drive, read where name, size and time are not enough.

Two computers that send to one drive may each have a file of one name, size and time, all the sooner where
a file system keeps times in steps of two seconds. So these three are believed only of what this computer
has itself sent to the drive; of anything else the source and its copy on the drive are read and compared
with what the bag lists, once.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from transfer.engine.bag.listed import Known, ListedBag, Origin
from transfer.engine.medium import Medium, ReadBack, drive_has_left
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.engine.sources import SourceFile
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.stop import Stop


@dataclass(slots=True)
class SourceContents:
    """The SHA-256 of sources that had to be read to be compared. `path_of` returns where a source is.

    `before` are those that earlier runs have read, with size and time then; `asked` those that this run has
    asked for and that count in the next one.
    """

    path_of: Callable[[SourceFile], str]
    medium: Medium
    stop: Stop
    listen: Listener
    before: Mapping[Origin, tuple[int, int, str]] = field(default_factory=dict)
    asked: dict[Origin, tuple[int, int, str]] = field(default_factory=dict)
    _sha256: dict[Origin, str] = field(default_factory=dict)

    def read(self, files: Iterable[SourceFile], what: str) -> None:
        """Read those that were not read yet; the copier reports those that cannot be read."""
        unread = [file for file in files if (file.source, file.path) not in self._sha256]
        if not unread:
            return
        self.listen(PhaseBegan(Phase.COMPARING, what, sum(file.size_bytes for file in unread)))
        for file in unread:
            try:
                self._read(file, what)
            except OSError:
                continue
        self.listen(PhaseEnded(Phase.COMPARING, what))

    def _read(self, file: SourceFile, what: str) -> None:
        digest = hashlib.sha256()
        with os.fdopen(self.medium.open_source(self.path_of(file)), "rb", buffering=0) as source:
            while block := source.read(BLOCK_BYTES):
                if self.stop.why:
                    return
                digest.update(block)
                self.listen(BytesDone(Phase.COMPARING, what, len(block)))
        self._sha256[file.source, file.path] = digest.hexdigest()

    def are(self, file: SourceFile, sha256: str) -> bool:
        """Return whether a source has a content; it is read once, and again when its size or time changes."""
        origin = (file.source, file.path)
        if origin not in self.asked:
            size_bytes, modified_ns, known = self.before.get(origin, (-1, 0, ""))
            if (size_bytes, modified_ns) != (file.size_bytes, file.modified_ns):
                self.read([file], file.path)
                known = self._sha256.get(origin, "")
            if not known:
                return False
            self.asked[origin] = (file.size_bytes, file.modified_ns, known)
        return self.asked[origin][2] == sha256

    def copies_on(self, bag: ListedBag) -> DriveCopies:
        """Return the copies that a bag on a drive has; none of them is read yet."""
        return DriveCopies(bag, self.stop, self.listen)

    def are_of(self, file: SourceFile, known: Known) -> bool:
        """Return whether a source was read and is what the drive has."""
        return self._sha256.get((file.source, file.path)) == known.sha256


@dataclass(slots=True)
class DriveCopies:
    """Copies that a bag lists, and that this computer has no record of: read, and compared with the list.

    `equal` has how each was read, by its path in the bag, `different` what is wrong with it.
    """

    bag: ListedBag
    stop: Stop
    listen: Listener
    equal: dict[str, ReadBack] = field(default_factory=dict)
    different: dict[str, str] = field(default_factory=dict)

    def read(self, listed: Iterable[Known], what: str) -> None:
        """Read these copies, until the run has to end. Raises OSError where the drive left."""
        unread = [known for known in listed if self.bag.folder.stat(self.bag.at(known.path)) is not None]
        if not unread:
            return
        self.listen(PhaseBegan(Phase.COMPARING, what, sum(known.size_bytes for known in unread)))
        self.bag.folder.chill()
        for known in unread:
            if self.stop.why:
                return
            try:
                self._read(known, what)
            except OSError as error:
                if drive_has_left(error):
                    raise
                self.different[known.path] = f"it cannot be read ({error.strerror or error})"
        self.listen(PhaseEnded(Phase.COMPARING, what))

    def _read(self, known: Known, what: str) -> None:
        path, digest = self.bag.at(known.path), hashlib.sha256()
        with self.bag.folder.cold([path]) as group:
            for block in group.blocks(path):
                digest.update(block)
                self.listen(BytesDone(Phase.COMPARING, what, len(block)))
            if digest.hexdigest() == known.sha256:
                self.equal[known.path] = group.evidence().read_back
            else:
                self.different[known.path] = "it has other content now"
