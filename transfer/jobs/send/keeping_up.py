"""The running night's bags, held open while files come: each file is carried by itself and proven at once.

The lists are written when the bags are closed. Until then the journal has each file, so that a follower that
is killed, or a drive that is pulled, costs no more than to read back again what came since they were opened.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import date, datetime
from functools import partial
from typing import NamedTuple

from transfer.config import Config
from transfer.engine.bag.durable import write_durably
from transfer.engine.bag.listed import Origin
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.copy.task import Task
from transfer.engine.drive import RECEIPT_NAME, OpenDrive, alone_on, drive_failure, drive_left
from transfer.engine.medium import ReadBack
from transfer.engine.resting import let_rest
from transfer.engine.sources import SourceFile
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError
from transfer.jobs.send.carrying import NightRun
from transfer.jobs.send.comparing import plan_new
from transfer.jobs.send.night import NightOnDrive
from transfer.jobs.send.plan import NightPlan, has_room_for
from transfer.jobs.send.ready import SendRequest, open_drives, places_to_keep_out_of, plans_of_night
from transfer.jobs.send.receipt import unfinished_receipt
from transfer.jobs.send.survey import Survey

# The lists of a bag grow with its files: were they written after each file, they would come to more than it.
MOST_FILES = 100


class Carried(NamedTuple):
    """What became of one file: whether every drive has it proven, and whether one had no room for it."""

    file: SourceFile
    is_proven: bool
    did_not_fit: bool = False


class OpenNight:
    """A night on its drives, open for the files that come. Used from one thread.

    `there` are the files that were on all drives when it was opened, `left` those of them that a dead run
    left to be proven, `missing` those to be carried then, the oldest first; `failure` is what ended the work
    on a drive, after which nothing more is carried. Raises NightferryError where it cannot be opened; then
    nothing is held.
    """

    def __init__(
        self, config: Config, request: SendRequest, around: Surroundings, seen: Survey, night: date
    ) -> None:
        self.night = night
        self.carried_count = 0
        self._is_begun = False
        self._around = around
        self._seen = seen
        self._run = NightRun(seen, around)
        self._held = ExitStack()
        try:
            self.drives, self.absent = open_drives(config, request, around, self._held)
            for drive in self.drives:
                self._held.enter_context(alone_on(drive, around.medium))
            self.keep_out = places_to_keep_out_of(config, [drive.root for drive in self.drives])
            self._nights = self._plan()
        except BaseException:
            self._held.close()
            raise

    def _plan(self) -> list[NightOnDrive]:
        """Plan what the drives lack; each file of it is then carried by itself."""
        files = self._seen.nights.get(self.night, ())
        plans = plans_of_night(self._seen, self.night, self._around, self.drives)
        self._todo = {
            plan.drive: {(task.file.source, task.file.path): task for task in plan.tasks} for plan in plans
        }
        missing = {origin for tasks in self._todo.values() for origin in tasks}
        refused = {found.path for plan in plans for found in plan.refused}
        self.missing = sorted(
            (file for file in files if (file.source, file.path) in missing), key=lambda file: file.modified_ns
        )
        self.there = [
            file
            for file in files
            if (file.source, file.path) not in missing and f"{file.source}/{file.path}" not in refused
        ]
        self._left = {plan.drive: _left_on(plan) for plan in plans}
        left = {origin for paths in self._left.values() for origin in paths}
        self.left = [file for file in self.there if (file.source, file.path) in left]
        return [
            NightOnDrive(replace(plan, tasks=()), Destination(plan.drive.root, partial(_failed, plan.drive)))
            for plan in plans
        ]

    def begin(self) -> None:
        """Open the bags, and prove what a dead run left in them; each drive first says it is unfinished."""
        self._is_begun = True
        self._say_unfinished(self._nights, self._around.clock())
        self._run.make_room(self._nights)
        self._run.begin(self._nights, MOST_FILES)
        self._run.carry_begun(self._nights)

    @property
    def has_work(self) -> bool:
        """Whether a drive lacks something of the night, or has something that waits to be proven."""
        return bool(self.missing) or any(not night.plan.nothing_to_do for night in self._nights)

    @property
    def to_read_bytes(self) -> int:
        """What there is to read when it is opened: missing files, twice each, and what waits to be proven."""
        missing = sum(file.size_bytes for file in self.missing)
        return 2 * missing + sum(night.plan.to_read_bytes for night in self._nights)

    def _say_unfinished(self, nights: Sequence[NightOnDrive], now: datetime) -> None:
        text = unfinished_receipt(now).encode("utf-8")
        acts = {
            night.destination: partial(write_durably, night.plan.drive.folder, RECEIPT_NAME, text)
            for night in nights
        }
        beside(acts, self._around.stop)

    # How it stands

    @property
    def failure(self) -> NightferryError | None:
        """What ended the work on a drive."""
        return next((night.destination.failure for night in self._nights if night.destination.failure), None)

    def proven_since(self) -> set[SourceFile]:
        """Return those of what a dead run left that this one has proven."""
        bags = {night.plan.drive: night.bag for night in self._nights}
        proven = {drive: set[str]() if bag is None else bag.proofs.proven for drive, bag in bags.items()}

        def is_proven(origin: Origin) -> bool:
            return all(
                origin not in paths or paths[origin] in proven[drive] for drive, paths in self._left.items()
            )

        return {file for file in self.left if is_proven((file.source, file.path))}

    @property
    def is_full(self) -> bool:
        """Whether so many files came that it is time to write the lists."""
        return self.carried_count >= MOST_FILES

    @property
    def read_back(self) -> ReadBack:
        """Where what is on the drives was read back from: the weakest that anything rests on."""
        from_medium = all(
            night.plan.there_from_medium and (night.bag is None or night.bag.proofs.all_from_medium)
            for night in self._nights
        )
        return ReadBack.MEDIUM if from_medium else ReadBack.PERHAPS_MEMORY

    def look_at_drives(self) -> None:
        """Notice a drive that has left, though nothing is written to it now."""
        for night in self._nights:
            drive = night.plan.drive
            try:
                is_there = drive.folder.still_there()
            except OSError as error:
                night.destination.fail(drive_failure(error, drive))
            else:
                night.destination.fail(None if is_there else drive_left(drive))

    def free_bytes(self) -> int:
        """Return the least space that is free on a drive; 0 where one does not answer."""
        try:
            return min(drive.folder.free_bytes() for drive in self.drives)
        except OSError:
            return 0

    # Carrying

    def carry(self, file: SourceFile) -> Carried:
        """Carry one file of the night to all drives, and prove it there."""
        if not self._is_begun:
            self.begin()
        working: list[NightOnDrive] = []
        did_not_fit, found_before = False, self._found_count()
        self.carried_count += 1
        for night in self._nights:
            try:
                task = self._task(night, file)
                has_room = task is None or has_room_for(night.plan, task)
            except OSError as error:
                night.destination.fail(drive_failure(error, night.plan.drive))
                continue
            did_not_fit = did_not_fit or not has_room
            if task is not None and has_room:
                self._hand(night, task)
                working.append(night)
        self._run.carry_begun(working)
        is_proven = bool(working) and self._found_count() == found_before
        is_proven = is_proven and not did_not_fit and all(map(_has_all_proven, self._nights))
        return Carried(file, is_proven, did_not_fit or any(night.full for night in working))

    def _found_count(self) -> int:
        return sum(len(night.receiver.findings) for night in self._nights if night.receiver is not None)

    def _task(self, night: NightOnDrive, file: SourceFile) -> Task | None:
        """Return what to do for a file on a drive; None where the drive has it, or cannot hold it."""
        drive, origin = night.plan.drive, (file.source, file.path)
        planned = self._todo[drive].pop(origin, None)
        if planned is not None:
            return planned
        if night.plan.listed.known.get(origin) or origin in night.files:
            return None  # it has changed since: its old copy is dealt with when the bag is opened anew
        new = plan_new(file, self.night, night.plan.listed, drive.limits)
        return new if isinstance(new, Task) else None

    def _hand(self, night: NightOnDrive, task: Task) -> None:
        assert night.side is not None, "a night is begun before it is carried"
        night.files[task.file.source, task.file.path] = task.file
        night.plan = replace(night.plan, tasks=(*night.plan.tasks, task))
        night.side.todo = {task.path: task}
        night.side.full = None
        night.side.findings.clear()

    # The end

    def close(self) -> NightferryError | None:
        """Write the lists, close the bags and let go of the drives; return what went wrong on a drive."""
        try:
            if self._is_begun:
                self._run.publish([night for night in self._nights if night.destination.failure is None])
        finally:
            if any(night.destination.hangs for night in self._nights):
                # To close a file on a drive that hangs would hang as well.
                threading.Thread(target=self._close_files, daemon=True).start()
            else:
                self._close_files()
        return self.failure

    def _close_files(self) -> None:
        for night in self._nights:
            if night.bag is not None:
                night.bag.close()
        if self.failure is None:
            let_rest(drive.root for drive in self.drives)
        self._held.close()


def _left_on(plan: NightPlan) -> dict[Origin, str]:
    """Return what a dead run left to be proven, and its path in the bag."""
    entries = plan.listed.left_whole().values() if plan.waiting else ()
    return {(entry.source, entry.original): entry.path for entry in entries}


def _has_all_proven(night: NightOnDrive) -> bool:
    """Return whether nothing that was handed to a night waits, or was found wrong."""
    if night.destination.failure is not None or night.bag is None or night.side is None:
        return False
    return not (night.side.todo or night.side.findings or night.bag.proofs.unproven)


def _failed(drive: OpenDrive, error: OSError) -> NightferryError:
    return drive_failure(error, drive)
