"""Rounds of a copy: carry, read back, and carry again what is not as it was written, up to three times.

One read of a source feeds every receiver that wants it. What differs between a drive, an archive and a
folder stands behind `ProvingReceiver`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from manifests.bags.builder import Wanted
from manifests.findings import Finding
from transfer.engine.copy.batch import Receiver
from transfer.engine.copy.copier import Copier, Work
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.copy.lane import BATCH_BYTES, Lane
from transfer.engine.copy.task import Task
from transfer.engine.medium import Medium, PinnedFolder
from transfer.errors import DoesNotFit
from transfer.events import BytesDone, FileBegan, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.stop import Stop

# A copy that does not match is written again from its source, twice at most.
ROUNDS = 3


class Again(NamedTuple):
    """A file that has to be carried again, and why."""

    task: Task
    reason: str


class ProvingReceiver(Receiver, Protocol):
    """Takes what a lane writes, and reads it back. Its methods raise OSError and NightferryError."""

    @property
    def has_unproven(self) -> bool:
        """Whether something that was taken has not been read back yet, or has to be read back again."""

    def prove(self) -> list[Again]:
        """Read back what was taken and is not proven; return what has to be carried again."""

    def leave_bad_out(self, todo: Mapping[str, Task]) -> None:
        """Take copies that stayed bad out of the place that they were carried to.

        `todo` are the tasks that are not done, by their paths: their sources could still be read.
        """


class Opening(NamedTuple):
    """How the source of a task is opened: its path, relative to `below` where there is a pinned folder.

    `others` are further digests to make of it.
    """

    path: str
    below: PinnedFolder | None = None
    others: tuple[Wanted, ...] = ()


@dataclass(slots=True, eq=False)
class Side:
    """One receiver's side of the rounds; only `Rounds` writes on it.

    `todo` are the tasks that are not done, each by its path, `reasons` why, as far as it was told.
    `findings` say of a task why it can't be done in this run. `full` tells that the destination has no
    room left: what lies there can still be proven. `stopped` tells that the run's end came before tasks.
    """

    destination: Destination
    receiver: ProvingReceiver
    label: str
    todo: dict[str, Task]
    batch_bytes: int = BATCH_BYTES
    reasons: dict[str, str] = field(default_factory=dict)
    findings: list[tuple[Task, Finding]] = field(default_factory=list)
    copied_bytes: int = 0
    full: DoesNotFit | None = None
    stopped: bool = False

    @property
    def can_go_on(self) -> bool:
        """Whether there is something to carry, and a destination that takes it."""
        return bool(self.todo) and self.destination.failure is None and self.full is None

    def carry_again(self, again: Iterable[Again]) -> None:
        """Put tasks back on the list of what has to be done."""
        for task, reason in again:
            self.todo[task.path] = task
            self.reasons[task.path] = reason


@dataclass(slots=True)
class Rounds:
    """Carries the tasks of all sides. `opening` says how a task's source is opened.

    `may_go_on` is asked before each block whether to copy on; so is whether somebody asked the run to end.
    """

    sides: Sequence[Side]
    opening: Callable[[Task], Opening]
    medium: Medium
    stop: Stop
    listen: Listener
    phase: Phase = Phase.COPYING
    may_go_on: Callable[[], bool] = lambda: True
    _lanes: dict[Side, Lane] = field(default_factory=dict)

    def run(self) -> None:
        """Carry everything, and prove it. Return when all is proven, or nothing more can be done."""
        self.copy()
        self.finish()

    def copy(self) -> None:
        """Read the sources of all that is to be done, once, and hand them to the lanes, which work on."""
        self._lanes = {side: self._lane(side) for side in self.sides if side.can_go_on}
        if not self._lanes:
            return
        for side in self._lanes:
            self.listen(PhaseBegan(self.phase, side.label, _size_bytes(side.todo.values())))
        works = iter(self._works())
        with Copier(self.medium, self.stop) as copier:
            failed, left = copier.carry(self._reported(works), self._go_on)
        for each in failed:
            self._source_failed(each.work, each.finding)
        for work in (*left, *works):
            self._not_carried(work)

    def finish(self) -> None:
        """End what `copy` has begun: wait for the lanes, read back, carry again, and leave bad copies out."""
        for number in range(ROUNDS):
            if number:
                self.copy()
            self._end_lanes()
            beside({side.destination: self._act(self._prove, side) for side in self.sides}, self.stop)
            if self.stop.why or not any(side.can_go_on for side in self.sides):
                break
        beside({side.destination: self._act(self._leave_bad_out, side) for side in self.sides}, self.stop)

    @staticmethod
    def _act(act: Callable[[Side], None], side: Side) -> Callable[[], None]:
        return lambda: act(side)

    # Copying

    def _lane(self, side: Side) -> Lane:
        def on_bytes(count: int) -> None:
            side.copied_bytes += count
            self.listen(BytesDone(self.phase, side.label, count))

        return Lane(
            side.receiver,
            on_bytes,
            self.stop.has_patience,
            batch_bytes=side.batch_bytes,
            words=side.destination.words,
        )

    def _works(self) -> list[Work]:
        """Make one work of each source; those that take the place of an older copy come last.

        An older copy leaves the manifest before its place is taken: late, and all at once.
        """
        tasks: dict[Opening, dict[Lane, Task]] = {}
        for side, lane in self._lanes.items():
            for task in side.todo.values():
                tasks.setdefault(self.opening(task), {})[lane] = task
            side.todo = {}
        works = [_work(opening, by_lane) for opening, by_lane in tasks.items()]
        return sorted(works, key=lambda work: any(task.older is not None for task in work.tasks.values()))

    def _reported(self, works: Iterator[Work]) -> Iterator[Work]:
        for work in works:
            self.listen(FileBegan(self.phase, f"{work.file.source}/{work.file.path}"))
            yield work

    def _go_on(self) -> bool:
        if self.stop.signalled or all(lane.has_ended for lane in self._lanes.values()):
            return False
        return self.may_go_on()

    def _wanted_by(self, work: Work) -> Iterator[tuple[Side, Lane, Task]]:
        return ((side, lane, work.tasks[lane]) for side, lane in self._lanes.items() if lane in work.tasks)

    def _source_failed(self, work: Work, finding: Finding) -> None:
        for side, _, task in self._wanted_by(work):
            side.findings.append((task, finding))

    def _not_carried(self, work: Work) -> None:
        for side, lane, task in self._wanted_by(work):
            side.todo[task.path] = task
            side.stopped = side.stopped or not lane.has_ended

    def _end_lanes(self) -> None:
        for side, lane in self._lanes.items():
            lane.finish()
            self._end_lane(side, lane)
            self.listen(PhaseEnded(self.phase, side.label))

    def _end_lane(self, side: Side, lane: Lane) -> None:
        side.carry_again(Again(task, f"it could not be written ({lane.trouble})") for task in lane.voided)
        side.findings += lane.refused
        if lane.hangs:
            side.destination.give_up_waiting(self.stop)
        elif isinstance(lane.failure, DoesNotFit):
            side.full = lane.failure
        else:
            side.destination.fail(lane.failure)

    # Proving

    def _prove(self, side: Side) -> None:
        side.carry_again(side.receiver.prove())

    def _leave_bad_out(self, side: Side) -> None:
        """Take bad copies out, and prove once more what lies beside them: it is from the same drive."""
        side.receiver.leave_bad_out(side.todo)
        while side.receiver.has_unproven and not self.stop.why:
            self._prove(side)
            side.receiver.leave_bad_out(side.todo)


def _work(opening: Opening, by_lane: dict[Lane, Task]) -> Work:
    file = next(iter(by_lane.values())).file
    return Work(file, opening.path, by_lane, opening.below, opening.others)


def _size_bytes(tasks: Iterable[Task]) -> int:
    return sum(task.file.size_bytes for task in tasks)
