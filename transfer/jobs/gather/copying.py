"""Frames copied into the folder: compared with their bags when read, read back, and only then named."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.lines import parent
from transfer.engine.bag.readback import Copy, Outcome, read_back
from transfer.engine.copy.batch import Batch, Written, flush
from transfer.engine.copy.destination import Destination
from transfer.engine.copy.rounds import Again, Opening, Rounds, Side
from transfer.engine.copy.task import Task
from transfer.engine.copy.troubles import Words
from transfer.engine.medium import Medium, PinnedFolder, ReadBack
from transfer.engine.sources import SourceFile
from transfer.errors import DoesNotFit
from transfer.events import Listener
from transfer.jobs.gather.folder import folder_failure, new_part
from transfer.jobs.gather.placing import Placed
from transfer.stop import Stop

_AGAIN = "What lies there is whole; gather again to go on."
_WORDS = Words(
    full=("The disk of this folder is full", f"Make room on it. {_AGAIN}"),
    left=("The disk of this folder left", f"Connect it. {_AGAIN}"),
    failing=("Writing to this folder keeps failing", "Give another folder with --into."),
    hanging=("The disk of this folder does not answer any more", f"Connect it. {_AGAIN}"),
    busy=("The disk of this folder had not taken yet all that was written to it", _AGAIN),
)


@dataclass(frozen=True, slots=True)
class CopiedFrames:
    """What became of frames that were to be copied, by their paths below the archive.

    `done` says from where each copy was read back. `stopped` are those that were left when the run ended.
    """

    done: dict[str, ReadBack] = field(default_factory=dict)
    failed: list[Finding] = field(default_factory=list)
    stopped: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class CopyRun:
    """What copying needs: the folder, the system, when to end, and who gets the progress."""

    folder: PinnedFolder
    medium: Medium
    stop: Stop
    listen: Listener

    def copy(self, placed: Sequence[Placed]) -> CopiedFrames:
        """Copy the frames. Raises DoesNotFit, before any copy where sizes show it, and DriveFailed."""
        self._check_room(placed)
        by_path = {each.path: each for each in placed}
        root, arriving = self.folder.path, _Arriving(self.folder, by_path)
        side = Side(
            Destination(root, lambda error: folder_failure(error, root), _WORDS),
            arriving,
            str(root),
            {path: _task(each) for path, each in by_path.items()},
        )
        Rounds(
            (side,),
            lambda task: Opening(str(by_path[task.path].file.path)),
            self.medium,
            self.stop,
            self.listen,
            may_go_on=lambda: not self.stop.why,
        ).run()
        error = side.destination.failure or side.full
        if error is not None:
            raise error
        return _copied(arriving, side, self.stop.why)

    def _check_room(self, placed: Iterable[Placed]) -> None:
        needed, free = sum(each.file.size_bytes for each in placed), self.folder.free_bytes()
        if needed > free:
            happened = f"{needed:,} bytes have to be copied, and {free:,} are free"
            raise DoesNotFit(happened, self.folder.path, "Make room, or give another folder with --into.")


def _task(placed: Placed) -> Task:
    file = SourceFile("archive", placed.frame.path, placed.file.size_bytes, placed.file.modified_ns, None)
    return Task(file, placed.frame.row.night, placed.path)


def _copied(arriving: _Arriving, side: Side, why: str) -> CopiedFrames:
    """Return what became of each frame; `why` says why the run had to end, if it had."""
    settled = arriving.done.keys() | arriving.changed.keys()
    left = [task.file.path for task in side.todo.values() if task.file.path not in settled]
    failed = [
        *arriving.changed.values(),
        *(replace(each, path=task.file.path) for task, each in side.findings),
    ]
    if why:
        return CopiedFrames(arriving.done, failed, left)
    detail = "its copy did not match, three times"
    failed += [Finding(FindingKind.NOT_PROVEN, detail, path) for path in left]
    return CopiedFrames(arriving.done, failed)


class _Arriving:
    """Takes what a lane writes: each file gets its name once it was read back and found equal.

    `done` says from where each frame's copy was read back, `changed` which frames are not as listed.
    """

    def __init__(self, folder: PinnedFolder, placed: Mapping[str, Placed]) -> None:
        self.folder = folder
        self.done: dict[str, ReadBack] = {}
        self.changed: dict[str, Finding] = {}
        self._placed = placed
        self._unproven: list[Written] = []
        self._again: list[Again] = []
        self._parts = 0

    @property
    def has_unproven(self) -> bool:
        """Whether something that was written has not been read back yet."""
        return bool(self._unproven or self._again)

    def new_part(self) -> str:
        """Return a temporary path for a file that has no final name yet."""
        self._parts += 1
        return new_part(self._parts)

    def settle(self, batch: Batch) -> None:
        """Flush a batch and compare it with its bags; read it back now where that proves something."""
        flush(batch, self.folder)
        self._unproven += [written for written in batch.files if self._is_as_listed(written)]
        if self.folder.reads_back_beside_writing:
            self._read_back()

    def prove(self) -> list[Again]:
        """Read back what was written and name each file that is equal; return what has to be copied again.

        Raises OSError.
        """
        self._read_back()
        again, self._again = self._again, []
        return again

    def leave_bad_out(self, todo: Mapping[str, Task]) -> None:
        """Do nothing: a copy that did not match was removed, and never had a name."""

    def _read_back(self) -> None:
        whole = {written.part: written for written in self._unproven}
        self._unproven = []
        copies = [
            Copy(part, written.read.size_bytes, written.content.result().digests.xxh128)
            for part, written in whole.items()
        ]
        named: set[str] = set()
        for compared in read_back(self.folder, copies, _uncounted, _always):
            written = whole[compared.copy.path]
            if compared.outcome is Outcome.EQUAL:
                named.add(parent(written.task.path))
                self._name(written, compared.evidence.read_back)
            else:
                self.folder.remove(written.part)
                self._again.append(Again(written.task, compared.outcome.value))
        self.folder.flush_folders(sorted(named))

    def _is_as_listed(self, written: Written) -> bool:
        frame = self._placed[written.task.path].frame
        if written.content.result().digests.sha256 == frame.row.sha256:
            return True
        self.folder.remove(written.part)
        detail = "its content is not what its bag lists: check the archive"
        self.changed[frame.path] = Finding(FindingKind.CHANGED, detail, frame.path)
        return False

    def _name(self, written: Written, how: ReadBack) -> None:
        path = written.task.path
        self.folder.make_folders(parent(path))
        self.folder.replace(written.part, path)
        self.done[self._placed[path].frame.path] = how


def _uncounted(count: int) -> None:
    """Count nothing: the bytes were counted when they were written."""


def _always() -> bool:
    return True
