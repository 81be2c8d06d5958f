"""The contents of sources, read to compare them with what a drive has under the same name, size and time.

Two computers that send to one drive may each have a file of one name, size and time, all the sooner where
a file system keeps times in steps of two seconds. So these three are believed only of what this computer
has itself sent to the drive; of anything else the source is read and its digest compared, once.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from transfer.engine.bag.listed import Known, Origin
from transfer.engine.medium import Medium
from transfer.engine.medium.base import BLOCK_BYTES
from transfer.engine.sources import SourceFile
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.stop import Stop


@dataclass(slots=True)
class SourceContents:
    """The SHA-256 of sources that had to be read to be compared. `path_of` returns where a source is."""

    path_of: Callable[[SourceFile], str]
    medium: Medium
    stop: Stop
    listen: Listener
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

    def are_of(self, file: SourceFile, known: Known) -> bool:
        """Return whether a source was read and is what the drive has."""
        return self._sha256.get((file.source, file.path)) == known.sha256
