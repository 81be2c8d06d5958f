"""Frames cloned into the folder: copies that share the archive's blocks until one of the two is written.

They take no room and no time to write. Each is read back whole and compared with its bag before it is named.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.lines import parent
from transfer.engine.medium import PinnedFolder, ReadBack, drive_has_left
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.gather.folder import new_part
from transfer.jobs.gather.placing import Placed
from transfer.stop import Stop

_AT_ONCE = 64


@dataclass(slots=True)
class ClonedFrames:
    """What became of frames that were to be cloned, by their paths below the archive.

    `done` says from where each clone was read back; `to_copy` could not be cloned; `stopped` were left when
    the run ended.
    """

    done: dict[str, ReadBack] = field(default_factory=dict)
    failed: list[Finding] = field(default_factory=list)
    to_copy: list[Placed] = field(default_factory=list)
    stopped: list[str] = field(default_factory=list)


def can_clone(folder: PinnedFolder, placed: Sequence[Placed]) -> bool:
    """Return whether the first of the frames can be cloned into the folder; the try leaves nothing."""
    if not placed:
        return False
    descriptor, part = _begun(folder, 0)
    try:
        return folder.clone(placed[0].file.path, descriptor)
    except FileNotFoundError:
        return False
    finally:
        os.close(descriptor)
        folder.remove(part)


def _begun(folder: PinnedFolder, number: int) -> tuple[int, str]:
    part = new_part(number)
    return folder.create_file(part), part


@dataclass(slots=True)
class CloneRun:
    """What cloning needs: the folder, when to end, and who gets the progress."""

    folder: PinnedFolder
    stop: Stop
    listen: Listener
    _cloned: ClonedFrames = field(default_factory=ClonedFrames)

    def clone(self, placed: Sequence[Placed]) -> ClonedFrames:
        """Clone the frames, and prove each. Raises OSError."""
        label = str(self.folder.path)
        self.listen(PhaseBegan(Phase.COPYING, label, sum(each.file.size_bytes for each in placed)))
        for first in range(0, len(placed), _AT_ONCE):
            batch = placed[first : first + _AT_ONCE]
            if self.stop.why:
                self._cloned.stopped += [each.frame.path for each in batch]
            else:
                self._prove(self._begin(batch))
        self.listen(PhaseEnded(Phase.COPYING, label))
        return self._cloned

    def _begin(self, batch: Sequence[Placed]) -> dict[str, Placed]:
        """Clone the files of a batch and flush them; return them by their temporary paths."""
        parts: dict[str, Placed] = {}
        descriptors: list[int] = []
        try:
            for number, each in enumerate(batch):
                descriptor, part = _begun(self.folder, number)
                descriptors.append(descriptor)
                if self._is_cloned(each, descriptor):
                    parts[part] = each
                else:
                    self.folder.remove(part)
            self.folder.flush_files(descriptors)
        finally:
            for descriptor in descriptors:
                os.close(descriptor)
        return parts

    def _is_cloned(self, placed: Placed, descriptor: int) -> bool:
        try:
            done = self.folder.clone(placed.file.path, descriptor)
        except FileNotFoundError:
            detail = "it was there when the archive was looked at"
            self._cloned.failed.append(Finding(FindingKind.MISSING, detail, placed.frame.path))
            return False
        if done:
            self.folder.set_modified(descriptor, placed.file.modified_ns)
        else:
            self._cloned.to_copy.append(placed)
        return done

    def _prove(self, parts: dict[str, Placed]) -> None:
        """Read each clone back, and name those whose content is what their bags list."""
        if not parts:
            return
        self.folder.chill()
        named: set[str] = set()
        with self.folder.cold(list(parts)) as group:
            equal = [part for part in parts if self._is_as_listed(parts[part], group.blocks(part))]
            how = group.evidence().read_back
        for part, each in parts.items():
            if part not in equal:
                self.folder.remove(part)
                continue
            self.folder.make_folders(parent(each.path))
            self.folder.replace(part, each.path)
            named.add(parent(each.path))
            self._cloned.done[each.frame.path] = how
        self.folder.flush_folders(sorted(named))

    def _is_as_listed(self, placed: Placed, blocks: Iterator[memoryview]) -> bool:
        digest = hashlib.sha256()
        try:
            for block in blocks:
                digest.update(block)
                self.listen(BytesDone(Phase.COPYING, str(self.folder.path), len(block)))
        except OSError as error:
            if drive_has_left(error):
                raise
            why = error.strerror or str(error)
            self._cloned.failed.append(Finding(FindingKind.UNREADABLE, why, placed.frame.path))
            return False
        if digest.hexdigest() == placed.frame.row.sha256:
            return True
        detail = "its content is not what its bag lists: check the archive"
        self._cloned.failed.append(Finding(FindingKind.CHANGED, detail, placed.frame.path))
        return False
