"""Files read from a drive once, and handed to the lane that writes them into the archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from transfer.archive.contents import Holdings
from transfer.archive.shelf import OF_AN_ARCHIVE, Shelf
from transfer.engine.copy.copier import Copier, NotCarried, Work
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.task import Task
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.file.items import Delivery
from transfer.jobs.file.planning import Planned, Planner
from transfer.jobs.file.receiving import Portion, Receiving
from transfer.jobs.file.skies import Skies
from transfer.surroundings import Surroundings

# Little enough that what is left to be read back when the drive has been read takes no time.
_BATCH_BYTES = 96 << 20


@dataclass(frozen=True, slots=True)
class Copied:
    """What a reading gave: the lane, which still works on, what could not be read, what was not begun."""

    lane: Lane
    failed: Sequence[NotCarried]
    left: Sequence[Planned]

    def failed_files(self, portion: Portion) -> list[tuple[Planned, NotCarried]]:
        """Return the files that could not be read."""
        return [(portion.planned[each.work.tasks[self.lane].path], each) for each in self.failed]


@dataclass(frozen=True, slots=True)
class Copying:
    """What reading files and writing them into the archive needs."""

    shelf: Shelf
    planner: Planner
    holdings: Holdings
    skies: Skies
    around: Surroundings

    def copy(
        self,
        portion: Portion,
        files: Sequence[Planned],
        on_settled: Callable[[], None],
        go_on: Callable[[], bool],
    ) -> Copied:
        """Read files in order; `on_settled` comes each time that some of them are whole and named."""
        label, listen = portion.delivery.label, self.around.listen
        listen(PhaseBegan(Phase.FILING, label, sum(planned.item.size_bytes for planned in files)))
        receiving = Receiving(portion, self.shelf, self.planner, self.holdings, self.skies, on_settled)
        lane = Lane(
            receiving,
            lambda count: listen(BytesDone(Phase.FILING, label, count)),
            self.around.stop.has_patience,
            batch_bytes=_BATCH_BYTES,
            words=OF_AN_ARCHIVE,
        )
        works = [_work(planned, lane, portion.delivery) for planned in files]
        with Copier(self.around.medium, self.around.stop) as copier:
            failed, left = copier.carry(works, lambda: go_on() and not lane.has_ended)
        listen(PhaseEnded(Phase.FILING, label))
        return Copied(lane, failed, [portion.planned[work.tasks[lane].path] for work in left])


def _work(planned: Planned, lane: Lane, delivery: Delivery) -> Work:
    item = planned.item
    task = Task(item.file, item.night, item.opened)
    return Work(item.file, item.opened, {lane: task}, delivery.below, item.others())
