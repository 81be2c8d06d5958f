"""Frames copied into the folder: compared with their bags when read, read back, and only then named."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.lines import parent
from transfer.engine.bag.readback import Copy, Outcome, read_back
from transfer.engine.copy.batch import Batch, Written, flush
from transfer.engine.copy.copier import Copier, Work
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.task import Task
from transfer.engine.copy.troubles import Words
from transfer.engine.medium import Medium, PinnedFolder, ReadBack
from transfer.engine.sources import SourceFile
from transfer.errors import DoesNotFit, DriveFailed
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.gather.folder import new_part
from transfer.jobs.gather.placing import Placed
from transfer.stop import Stop

# A copy that does not match is written again, twice at most.
_ROUNDS = 3
_AGAIN = "What lies there is whole; gather again to go on."
_WORDS = Words(
    full=("The disk of this folder is full", f"Make room on it. {_AGAIN}"),
    left=("The disk of this folder left", f"Connect it. {_AGAIN}"),
    failing=("Writing to this folder keeps failing", "Give another folder with --into."),
    hanging=("The disk of this folder does not answer any more", f"Connect it. {_AGAIN}"),
)


@dataclass(slots=True)
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
        arriving = _Arriving(self.folder, {each.path: each for each in placed})
        for _ in range(_ROUNDS):
            if not arriving.todo or self.stop.why:
                break
            self._round(arriving)
        arriving.give_up(self.stop.why)
        return arriving.copied

    def _check_room(self, placed: Iterable[Placed]) -> None:
        needed, free = sum(each.file.size_bytes for each in placed), self.folder.free_bytes()
        if needed > free:
            happened = f"{needed:,} bytes have to be copied, and {free:,} are free"
            raise DoesNotFit(happened, self.folder.path, "Make room, or give another folder with --into.")

    def _round(self, arriving: _Arriving) -> None:
        what, works = str(self.folder.path), list(arriving.todo.values())
        arriving.todo = {}
        self.listen(PhaseBegan(Phase.COPYING, what, sum(each.file.size_bytes for each in works)))
        lane = Lane(
            arriving,
            lambda count: self.listen(BytesDone(Phase.COPYING, what, count)),
            self.stop.has_patience,
            words=_WORDS,
        )
        with Copier(self.medium, self.stop) as copier:
            failed, left = copier.carry(
                (_work(each, lane) for each in works), lambda: not (self.stop.why or lane.has_ended)
            )
            lane.finish()
        if lane.hangs:
            raise DriveFailed("The disk of this folder does not answer any more", what, _AGAIN)
        arriving.prove()
        self.listen(PhaseEnded(Phase.COPYING, what))
        arriving.take_up(task.path for task in lane.voided)
        arriving.take_up(work.tasks[lane].path for work in left)
        arriving.copied.failed += [_about(each.work.file.path, each.finding) for each in failed]
        arriving.copied.failed += [_about(task.file.path, finding) for task, finding in lane.refused]
        if lane.failure is not None:
            raise lane.failure


def _work(placed: Placed, lane: Lane) -> Work:
    file = SourceFile("archive", placed.frame.path, placed.file.size_bytes, placed.file.modified_ns, None)
    return Work(file, str(placed.file.path), {lane: Task(file, placed.frame.row.night, placed.path)})


def _about(path: str, finding: Finding) -> Finding:
    return replace(finding, path=path)


class _Arriving:
    """Receives what a lane writes: each file gets its name once it was read back and found equal."""

    def __init__(self, folder: PinnedFolder, placed: Mapping[str, Placed]) -> None:
        self.folder = folder
        self.copied = CopiedFrames()
        self.todo = dict(placed)
        self._placed = placed
        self._answered: set[str] = set()
        self._unproven: list[Written] = []
        self._parts = 0

    def new_part(self) -> str:
        """Return a temporary path for a file that has no final name yet."""
        self._parts += 1
        return new_part(self._parts)

    def settle(self, batch: Batch) -> None:
        """Flush a batch and compare it with its bags; read it back now where that proves something."""
        flush(batch, self.folder)
        self._unproven += [written for written in batch.files if self._is_as_listed(written)]
        if self.folder.reads_back_beside_writing:
            self.prove()

    def prove(self) -> None:
        """Read back what was written, and name each file that is equal. Raises OSError."""
        whole = {written.part: written for written in self._unproven}
        self._unproven = []
        copies = [
            Copy(part, written.read.size_bytes, written.content.result().digests.xxh128)
            for part, written in whole.items()
        ]
        for compared in read_back(self.folder, copies, _uncounted, _always):
            self._name_if_equal(whole[compared.copy.path], compared.outcome, compared.evidence.read_back)
        named = (written.task.path for written in whole.values() if written.task.path not in self.todo)
        self.folder.flush_folders(sorted(set(map(parent, named))))

    def _is_as_listed(self, written: Written) -> bool:
        frame = self._placed[written.task.path].frame
        if written.content.result().digests.sha256 == frame.row.sha256:
            return True
        self.folder.remove(written.part)
        self._answered.add(written.task.path)
        detail = "its content is not what its bag lists: check the archive"
        self.copied.failed.append(Finding(FindingKind.CHANGED, detail, frame.path))
        return False

    def _name_if_equal(self, written: Written, outcome: Outcome, how: ReadBack) -> None:
        path = written.task.path
        if outcome is not Outcome.EQUAL:
            self.folder.remove(written.part)
            self.todo[path] = self._placed[path]
            return
        self.folder.make_folders(parent(path))
        self.folder.replace(written.part, path)
        self._answered.add(path)
        self.copied.done[self._placed[path].frame.path] = how

    def take_up(self, paths: Iterable[str]) -> None:
        """Put frames on the list of what is to be copied again, except those already settled."""
        self.todo |= {path: self._placed[path] for path in paths if path not in self._answered}

    def give_up(self, why: str) -> None:
        """Record what is left as not copied: the run had to end, or the copies never matched."""
        for placed in self.todo.values():
            if why:
                self.copied.stopped.append(placed.frame.path)
            else:
                detail = "its copy did not match, three times"
                self.copied.failed.append(Finding(FindingKind.NOT_PROVEN, detail, placed.frame.path))


def _uncounted(count: int) -> None:
    """Count nothing: the bytes were counted when they were written."""


def _always() -> bool:
    return True
