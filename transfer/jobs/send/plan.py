"""One night on one drive, planned: what is to be carried, what is there, and whether there is room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.listed import ListedBag
from transfer.engine.copy.task import Task
from transfer.engine.drive import OpenDrive
from transfer.engine.medium import Evidence
from transfer.errors import DoesNotFit
from transfer.words import size_told

# What a bag says of a file (a line in each of three lists, and in the journal), as common experience
# has it, rounded up; and a cluster of each file that stays half empty, exFAT's default at most.
_LINES_BYTES = 1 << 10
_CLUSTER_BYTES = 128 << 10
_RESERVE_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class NightPlan:
    """One night on one drive: what is to be carried, what waits to be read back, what cannot go.

    `listed` is the night's bag as it lies on the drive. `there` files are on the drive and proven by an
    earlier run, `waiting` ones only wait to be read back; `frames` counts its frames by their
    names.
    `doubtful` are listed paths that were perhaps read from memory, where they can be read from the medium
    now; `doubt` says why they cannot, where that is so.
    `lost` are listed paths that are not on the drive any more as they were; `not_own` paths whose
    content this computer has never read from a source, of which `compared` tells that there are fewer
    than the records say. `leftover_bytes` are what a dead run left half written there, which goes before
    anything is carried. `refused` says of files, of `refused_bytes`, why the drive cannot hold them, and
    `too_large` that there is no room for the night, which is then left out: it lacks `lacks_bytes`.
    """

    drive: OpenDrive
    night: date
    listed: ListedBag
    tasks: tuple[Task, ...] = ()
    waiting: int = 0
    waiting_bytes: int = 0
    there: int = 0
    there_bytes: int = 0
    there_from_medium: bool = True
    doubtful: frozenset[str] = frozenset()
    doubtful_bytes: int = 0
    doubt: Evidence | None = None
    frames: int = 0
    lost: frozenset[str] = frozenset()
    not_own: frozenset[str] = frozenset()
    compared: bool = False
    leftover_bytes: int = 0
    refused: tuple[Finding, ...] = ()
    noticed: tuple[Finding, ...] = ()
    refused_bytes: int = 0
    too_large: DoesNotFit | None = None
    lacks_bytes: int = 0

    @property
    def label(self) -> str:
        """What a progress line calls this."""
        return label_of(self.drive, self.night)

    @property
    def files(self) -> int:
        """How many files of the night belong on the drive."""
        return len(self.tasks) + self.waiting + self.there + len(self.refused)

    @property
    def size_bytes(self) -> int:
        """How many bytes they have."""
        return self.task_bytes + self.waiting_bytes + self.there_bytes + self.refused_bytes

    @property
    def task_bytes(self) -> int:
        """How many bytes are to be carried."""
        return sum(task.file.size_bytes for task in self.tasks)

    @property
    def to_read_bytes(self) -> int:
        """How many bytes that lie on the drive are to be read back."""
        return self.waiting_bytes + self.doubtful_bytes

    @property
    def nothing_to_do(self) -> bool:
        """Whether all of the night is on the drive and proven."""
        return not (self.tasks or self.doubtful or self.listed.unfinished or self.listed.damage)

    def left_out(self, reason: DoesNotFit, lacks_bytes: int) -> NightPlan:
        """Return the plan without what was to be carried, which is listed as not carried."""
        refused = (
            Finding(
                FindingKind.NOT_PROVEN,
                "the night does not fit",
                f"{task.file.source}/{task.file.path}",
            )
            for task in self.tasks
        )
        left = (*self.refused, *refused)
        return replace(
            self,
            tasks=(),
            refused=left,
            refused_bytes=self.refused_bytes + self.task_bytes,
            too_large=reason,
            lacks_bytes=lacks_bytes,
        )

    def list_bytes(self, more_files: int = 0) -> int:
        """Return the space that the bag's lists and its journal may take, with so many more files to come."""
        return 2 * (len(self.listed.known) + self.files + more_files) * _LINES_BYTES + (128 << 10)

    def needed_bytes(self) -> int:
        """Return the space that what is to be carried may take, names and lists included."""
        each = 2 * _LINES_BYTES + _CLUSTER_BYTES // 2
        return self.task_bytes + len(self.tasks) * each


class LeftBehind(NamedTuple):
    """A night with files that are safe only on this computer, and how many."""

    night: date
    files: int


def label_of(drive: OpenDrive, night: date) -> str:
    """Return what a progress line calls a night on a drive."""
    return f"{night.isoformat()} on {drive.name}"


def that_fit(drive: OpenDrive, plans: Iterable[NightPlan]) -> list[NightPlan]:
    """Plan the nights that there is room for on the drive, in their order; leave the others out.

    Room is counted as it will be when what dead runs left half written is gone. Raises OSError.
    """
    all_plans = list(plans)
    leftovers = sum(plan.leftover_bytes for plan in all_plans)
    all_free = drive.folder.free_bytes() + leftovers
    free = max(all_free - _RESERVE_BYTES, 0)
    planned: list[NightPlan] = []
    for plan in all_plans:
        needed = plan.needed_bytes()
        if needed > free:
            planned.append(plan.left_out(_too_large(plan, needed, free, all_free), needed - free))
        else:
            planned.append(plan)
            free -= needed
    return planned


def has_room_for(plan: NightPlan, task: Task) -> bool:
    """Return whether the drive has room for one more file of a night. Raises OSError."""
    room = plan.drive.folder.free_bytes() - _RESERVE_BYTES
    return replace(plan, tasks=(task,)).needed_bytes() <= room


def _too_large(plan: NightPlan, needed: int, room: int, free: int) -> DoesNotFit:
    """Say what a night lacks. `room` is what of `free` is neither kept free nor another night's."""
    others = max(free - _RESERVE_BYTES - room, 0)
    happened = (
        f"The night of {plan.night.isoformat()} needs up to {size_told(needed)} with its lists, and there is "
        f"room for {size_told(room) if room else 'none'}: {size_told(free)} are free, and "
        f"{size_told(_RESERVE_BYTES)} have to stay free"
        f"{f'; other nights take {size_told(others)}' if others else ''}"
    )
    return DoesNotFit(happened, plan.drive.root, "Make room on the drive, or send to another one.")
