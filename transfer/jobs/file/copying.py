"""Files read from a drive once, and handed to the lane that writes them into the archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from transfer.archive.shelf import OF_AN_ARCHIVE
from transfer.engine.copy.copier import Copier, NotCarried, Work
from transfer.engine.copy.lane import Lane
from transfer.engine.copy.task import Task
from transfer.events import BytesDone, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.file.items import Delivery
from transfer.jobs.file.planning import Planned
from transfer.jobs.file.receiving import Receiving
from transfer.surroundings import Surroundings

# Little enough that what is left to be read back when the drive has been read takes no time.
_BATCH_BYTES = 96 << 20


@dataclass(frozen=True, slots=True)
class FilesRead:
    """What reading a drive gave: the lane, which works on, what could not be read, what was not begun."""

    lane: Lane
    failed: Sequence[tuple[Planned, NotCarried]]
    left: Sequence[Planned]


def copy(
    receiving: Receiving, files: Sequence[Planned], around: Surroundings, go_on: Callable[[], bool]
) -> FilesRead:
    """Read files in order, and hand them to a lane."""
    label, listen = receiving.delivery.label, around.listen
    listen(PhaseBegan(Phase.FILING, label, sum(planned.item.size_bytes for planned in files)))
    lane = Lane(
        receiving,
        lambda count: listen(BytesDone(Phase.FILING, label, count)),
        around.stop.has_patience,
        batch_bytes=_BATCH_BYTES,
        words=OF_AN_ARCHIVE,
    )
    works = [_work(planned, lane, receiving.delivery) for planned in files]
    with Copier(around.medium, around.stop) as copier:
        failed, left = copier.carry(works, lambda: go_on() and not lane.has_ended)
    listen(PhaseEnded(Phase.FILING, label))
    return FilesRead(
        lane,
        [(receiving.planned[each.work.tasks[lane].path], each) for each in failed],
        [receiving.planned[work.tasks[lane].path] for work in left],
    )


def _work(planned: Planned, lane: Lane, delivery: Delivery) -> Work:
    item = planned.item
    task = Task(item.file, item.night, item.opened)
    return Work(item.file, item.opened, {lane: task}, delivery.below, item.others())
