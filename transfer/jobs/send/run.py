"""The end-of-night job: every frame and every log of the night to every drive that is there, proven."""

from __future__ import annotations

import itertools
import threading
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

from transfer.config import Config
from transfer.engine.bag.durable import write_durably
from transfer.engine.bag.lines import read_lines
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.drive import RECEIPT_NAME, NoDriveHere, OpenDrive, alone_on, drive_failure
from transfer.engine.drive_key import put_key
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.engine.unforeseen import unforeseen
from transfer.errors import DriveFailed, NightferryError
from transfer.jobs.send.ahead import WorkAhead
from transfer.jobs.send.ending import ending, failed
from transfer.jobs.send.glance import headlines
from transfer.jobs.send.night import NightOnDrive
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.pace import Stopwatch
from transfer.jobs.send.plan import LeftBehind, NightPlan, that_fit
from transfer.jobs.send.ready import LateNight, Ready, SendRequest, make_ready, open_drives
from transfer.jobs.send.receipt import is_said_by, receipt, unfinished_receipt
from transfer.jobs.send.room import RoomMade, enough_for, make_room, room_on, with_way_out

if TYPE_CHECKING:
    from transfer.jobs.send.carrying import NightRun


class SendRun:
    """One run of `send`. `outcome` can be asked at any time, also while the run hangs on a dead drive."""

    def __init__(self, config: Config, request: SendRequest, around: Surroundings) -> None:
        self._config = config
        self._request = request
        self._stopwatch = Stopwatch(around.listen)
        self._around = replace(around, listen=self._stopwatch)
        self._began = around.clock()
        self._absent: tuple[str, ...] = ()
        self._ready: Ready | None = None
        self._destinations: dict[OpenDrive, Destination] = {}
        self._nights: list[NightOnDrive] = []
        self._written: list[NightOnDrive] = []
        self._left_behind: tuple[LeftBehind, ...] = ()
        self._room = RoomMade()

    def run(self) -> SendOutcome:
        """Do the job. What ends it early is told in the outcome, and on this computer."""
        try:
            with ExitStack() as held:
                outcome = self._run(held)
                if any(night.destination.hangs for night in self._nights):
                    # To close a file on a drive that hangs would hang as well.
                    threading.Thread(target=held.pop_all().close, daemon=True).start()
                return outcome
        except NightferryError as error:
            ended = error
        except OSError as error:
            step = "Look at what is there, then send again: what was proven is kept."
            ended = DriveFailed(f"It cannot be used ({error.strerror or error})", error.filename or "", step)
        except Exception as fault:  # noqa: BLE001 - a run says how it ended, whatever happened
            ended = unforeseen(fault)
        return self._keep_receipt(self._ended_by(ended))

    def _ended_by(self, error: NightferryError) -> SendOutcome:
        """Return the outcome of a run that an error has ended: what was carried until then is told."""
        if self._written:
            for destination in self._destinations.values():
                destination.fail(error)
            return self.outcome()
        outcome = replace(failed(error, self._began, self._around.clock()), room=self._room)
        return self._without_a_drive(outcome, error) if isinstance(error, NoDriveHere) else outcome

    def _without_a_drive(self, outcome: SendOutcome, error: NoDriveHere) -> SendOutcome:
        """Say what waits on this computer, as far as the sources can be looked at, and for which drives."""
        outcome = replace(outcome, absent=error.absent)
        try:
            waiting = make_ready(self._config, self._request, self._around, ()).safe_nowhere()
        except (NightferryError, OSError):
            return outcome
        return replace(outcome, left_behind=waiting, waiting=sum(night.files for night in waiting))

    def _run(self, held: ExitStack) -> SendOutcome:
        drives, absent = open_drives(self._config, self._request, self._around, held)
        for drive in drives:
            held.enter_context(alone_on(drive, self._around.medium))
        self._absent = tuple(absent)
        self._ready = ready = make_ready(self._config, self._request, self._around, drives)
        self._destinations = {drive: _destination(drive) for drive in drives}
        self._nights = self._with_room(ready, held)
        ahead = WorkAhead(drives, self._around.records, self._around.listen)
        ahead.expect((night.plan for night in self._nights), ready.late)
        for _, group in itertools.groupby(self._nights, key=lambda night: night.plan.night):
            self._carry(list(group))
        self._catch_up(ready, ahead)
        self._end()
        outcome = self._leave_receipts()
        at_work = {night.plan.drive.root for night in self._written}
        let_rest(drive.root for drive in drives if drive.root not in at_work)
        return outcome

    def _nights_of(self, plans: Sequence[NightPlan]) -> list[NightOnDrive]:
        """Return nights to be carried, the newest first; what there is no room for is left out of them."""
        nights = [
            NightOnDrive(plan, destination)
            for drive, destination in self._destinations.items()
            for plan in that_fit(drive, [plan for plan in plans if plan.drive is drive])
        ]
        return sorted(nights, key=lambda night: night.plan.night, reverse=True)

    def _with_room(self, ready: Ready, held: ExitStack) -> list[NightOnDrive]:
        """Return the nights to be carried; where one does not fit, room is made, or the way to it named."""
        nights = self._nights_of(ready.plans)
        if all(night.plan.too_large is None for night in nights):
            return nights
        spare = {*ready.asked_for, *(late.night for late in ready.late)}
        may_go = room_on(self._config, self._around, ready.drives, spare, held)
        while self._config.send.make_room and not self._room.trouble:
            going = next((found for each in nights if (found := enough_for(each.plan, may_go))), [])
            if not going:
                break
            drive = self._destinations[going[0].drive]
            self._write_receipts({drive: unfinished_receipt(self._began)})
            made = make_room(going, self._around)
            self._room = RoomMade((*self._room.nights, *made.nights), made.trouble)
            may_go = tuple(night for night in may_go if night not in going)
            nights = self._nights_of(ready.plans)
        return [NightOnDrive(with_way_out(each.plan, may_go), each.destination) for each in nights]

    # Carrying

    @cached_property
    def _carrier(self) -> NightRun:
        # The copier is slow to load, and a run that finds nothing new carries nothing.
        from transfer.jobs.send.carrying import NightRun

        assert self._ready is not None, "a run is ready before it carries"
        return NightRun(self._ready.survey, self._around)

    def _carry(self, nights: Iterable[NightOnDrive]) -> None:
        """Carry one night to its drives; each drive says first that it is not finished: a run may die."""
        working = [
            night for night in nights if not night.plan.nothing_to_do and night.destination.failure is None
        ]
        if not working:
            return
        begun = {night.destination for night in self._written}
        new = {night.destination for night in working} - begun
        self._write_receipts(dict.fromkeys(new, unfinished_receipt(self._began)))
        self._carrier.make_room([night for night in self._nights if night.destination in new])
        self._hand_over_key([night for night in working if night.destination not in begun])
        self._written += working
        self._carrier.carry([night for night in working if night.destination.failure is None])

    def _hand_over_key(self, nights: Iterable[NightOnDrive]) -> None:
        """Send this computer's key to the archive with the drive, until an archive has signed with it."""
        records = self._around.records
        key = None if records.archives_that_sign() else records.key()
        if key is not None:
            drives = {night.destination: night.plan.drive.folder for night in nights}
            acts = {each: partial(put_key, folder, key) for each, folder in drives.items()}
            beside(acts, self._around.stop)

    def _catch_up(self, ready: Ready, ahead: WorkAhead) -> None:
        """Carry earlier nights with files that are safe nowhere, while room and time last."""
        left = list(ready.left_behind)
        for late in ready.late:
            nights = self._late_nights(ready, late) if self._carrier.has_time else []
            self._nights += nights
            ahead.decide(late.night, (night.plan for night in nights))
            self._carry(nights)
            if not any(night.destination.failure is None for night in nights):
                left.append(LeftBehind(late.night, len(late.unsafe)))
        self._left_behind = tuple(sorted(left))

    def _late_nights(self, ready: Ready, late: LateNight) -> list[NightOnDrive]:
        """Return a night on each drive that still works and has room for it."""
        nights = []
        for drive, destination in self._destinations.items():
            if destination.failure is not None:
                continue
            try:
                plans = that_fit(drive, [ready.plan_of(late, drive)])
            except NightferryError as error:
                destination.fail(error)
            except OSError as error:
                destination.fail(drive_failure(error, drive))
            else:
                nights += [NightOnDrive(plan, destination) for plan in plans if plan.too_large is None]
        return nights

    def _end(self) -> None:
        """Prove again what a bad drive has, and close the bags."""
        suspects = _suspects(self._written)
        if suspects:
            self._carrier.read_again(suspects)
        for night in self._written:
            if night.bag is not None and not night.destination.hangs:
                night.bag.close()
        self._keep_times()

    def _keep_times(self) -> None:
        """Remember how fast each drive was, for the next estimate; drives of one name are timed as one."""
        names = Counter(drive.name for drive in self._destinations)
        for drive, destination in self._destinations.items():
            labels = {each.plan.label for each in self._written if each.destination is destination}
            timed = self._stopwatch.timed(labels)
            if timed is not None and destination.failure is None and names[drive.name] == 1:
                self._around.records.keep_timed(drive.mark.id, timed)

    # Receipts

    def _leave_receipts(self) -> SendOutcome:
        """Leave on each drive what is to be said of that drive, where it does not say so already."""
        told = self.outcome()
        written = {night.destination for night in self._written}
        by_drive = {drive: replace(self.outcome(drive), ended=told.ended) for drive in self._destinations}
        texts = {}
        for drive, destination in self._destinations.items():
            others = [outcome for other, outcome in by_drive.items() if other is not drive]
            own = replace(by_drive[drive], lacking=_lacking(others))
            if own.nights and (destination in written or not _says(drive, own)):
                texts[destination] = receipt(own, drive.mark)
        self._write_receipts(texts)
        # What a receipt could not be left on is told as well, and otherwise the same everywhere.
        outcome = replace(self.outcome(), ended=told.ended)
        return outcome if outcome.nothing_new else self._keep_receipt(outcome)

    def _write_receipts(self, texts: Mapping[Destination, str]) -> None:
        """Write a receipt on each drive: the last write to it, and read back."""
        acts = {
            destination: partial(
                write_durably, drive.folder, RECEIPT_NAME, texts[destination].encode("utf-8")
            )
            for drive, destination in self._destinations.items()
            if destination in texts
        }
        beside(acts, self._around.stop)

    # How it stands

    def outcome(self, drive: OpenDrive | None = None) -> SendOutcome:
        """Say how things stand now, on all drives or on one."""
        now, ready, stop = self._around.clock(), self._ready, self._around.stop
        if ready is None:
            return ending(self._began, now, stop, (), ())
        nights = [night.outcome() for night in self._nights if drive in (None, night.plan.drive)]
        told = ending(self._began, now, stop, nights, ready.findings, ready.not_taken)
        if not nights and ready.survey.nights:
            asked = self._request.scope.told
            told = replace(told, message=f"No file is of the nights that were asked for: {asked}.")
        return replace(told, absent=self._absent, left_behind=self._left_behind, room=self._room)

    def _keep_receipt(self, outcome: SendOutcome) -> SendOutcome:
        """Keep the receipt on this computer, too; return the outcome with where that is."""
        kept = self._around.records.keep_receipt(receipt(outcome), outcome.ended)
        return replace(outcome, kept_in="" if kept is None else str(kept))


def _lacking(others: Iterable[SendOutcome]) -> tuple[str, ...]:
    """Say what the other drives of a run lack."""
    bad = (outcome for outcome in others if outcome.nights and not outcome.safe_to_pull)
    return tuple(f"The other drive: {line}" for outcome in bad for line in headlines(outcome))


def _says(drive: OpenDrive, outcome: SendOutcome) -> bool:
    try:
        return is_said_by(outcome, read_lines(drive.folder, RECEIPT_NAME))
    except OSError:
        return False


def _destination(drive: OpenDrive) -> Destination:
    return Destination(drive.root, lambda error: drive_failure(error, drive))


def _suspects(nights: Iterable[NightOnDrive]) -> list[NightOnDrive]:
    """Return the nights to be read once more: their drive gave a bad file in another one."""
    carried = [night for night in nights if night.summary is not None]
    suspect = {night.destination for night in nights if night.gave_bad_copies}
    return [night for night in carried if night.destination in suspect and not night.gave_bad_copies]
