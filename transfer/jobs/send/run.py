"""The end-of-night job: every frame and every log of the night to every drive that is there, proven."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial

from manifests.bags.list_sizes import ListTooLarge
from transfer.config import Config
from transfer.engine.bag.durable import write_durably
from transfer.engine.bag.lines import read_lines
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.drive import RECEIPT_NAME, OpenDrive, alone_on, drive_failure
from transfer.engine.resting import let_rest
from transfer.errors import DriveFailed, NightferryError, unforeseen
from transfer.jobs.send.ending import ending, failed
from transfer.jobs.send.night import NightOnDrive, NightRun
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.plan import NightPlan, that_fit
from transfer.jobs.send.ready import Ready, SendRequest, make_ready, open_drives
from transfer.jobs.send.receipt import receipt, unfinished_receipt
from transfer.surroundings import Surroundings


class SendRun:
    """One run of `send`. `outcome` can be asked at any time, also while the run hangs on a dead drive."""

    def __init__(self, config: Config, request: SendRequest, around: Surroundings) -> None:
        self._config = config
        self._request = request
        self._around = around
        self._began = around.clock()
        self._absent: tuple[str, ...] = ()
        self._ready: Ready | None = None
        self._nights: tuple[NightOnDrive, ...] = ()

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
        outcome = failed(ended, self._began, self._around.clock())
        self._keep_receipt(outcome)
        return outcome

    def _run(self, held: ExitStack) -> SendOutcome:
        drives, absent = open_drives(self._config, self._request, self._around, held)
        for drive in drives:
            held.enter_context(alone_on(drive, self._around.medium))
        self._absent = tuple(absent)
        self._ready = make_ready(self._config, self._request, self._around, drives)
        self._nights = _nights(self._ready)
        working = [night for night in self._nights if not night.plan.nothing_to_do]
        outcome = self._carry(working, self._ready) if working else self._nothing_to_carry()
        at_work = {night.plan.drive.root for night in working}
        let_rest(drive.root for drive in drives if drive.root not in at_work)
        return outcome

    # Carrying

    def _carry(self, working: list[NightOnDrive], ready: Ready) -> SendOutcome:
        """Carry every night; each drive says first that it is not finished, in case this run dies."""
        self._write_receipts(working, unfinished_receipt(self._began))
        run = NightRun(ready.survey, self._around)
        for _, group in itertools.groupby(working, key=lambda night: night.plan.night):
            run.carry([night for night in group if night.destination.failure is None])
        _read_suspects_again(run, working)
        for night in working:
            if night.bag is not None and not night.destination.hangs:
                night.bag.close()
        told = self.outcome()
        self._write_receipts(working, receipt(told))
        # What a receipt could not be left on is told as well, and otherwise the same everywhere.
        outcome = replace(self.outcome(), ended=told.ended)
        self._keep_receipt(outcome)
        return outcome

    def _write_receipts(self, nights: Iterable[NightOnDrive], text: str) -> None:
        """Leave a receipt on each drive of these nights: the last write to it, and read back."""
        content = text.encode("utf-8")
        drives = {night.destination: night.plan.drive for night in nights}
        acts = {
            destination: partial(write_durably, drive.folder, RECEIPT_NAME, content)
            for destination, drive in drives.items()
        }
        beside(acts, self._around.stop)

    def _nothing_to_carry(self) -> SendOutcome:
        """Say why, and correct a receipt on a drive that says something else."""
        outcome = self.outcome()
        if outcome.nothing_new:
            # An earlier run died at its very end, missed a file that has gone since, or left fewer nights.
            wrong = [night for night in self._nights if not _receipt_says(outcome, night.plan.drive)]
        else:
            # The receipt of an earlier run may say on the drive that all is well.
            wrong = [night for night in self._nights if night.plan.drive.folder.stat(RECEIPT_NAME)]
            self._keep_receipt(outcome)
        if not wrong:
            return outcome
        self._write_receipts(wrong, receipt(outcome))
        return self.outcome()

    # How it stands

    def outcome(self) -> SendOutcome:
        """Say how things stand now."""
        now, ready, stop = self._around.clock(), self._ready, self._around.stop
        if ready is None:
            return ending(self._began, now, stop, (), ())
        nights = [night.outcome() for night in self._nights]
        told = ending(self._began, now, stop, nights, ready.survey.findings)
        if not nights and ready.survey.nights:
            told = replace(
                told, message=f"No file is of the nights that were asked for: {self._request.scope.told}."
            )
        return replace(told, absent=self._absent, left_behind=ready.left_behind)

    def _keep_receipt(self, outcome: SendOutcome) -> None:
        """Keep the receipt on this computer, too."""
        self._around.records.keep_receipt(receipt(outcome), outcome.ended)


def _nights(ready: Ready) -> tuple[NightOnDrive, ...]:
    """Return the nights of a run, the newest first; what there is no room for is left out of their plans."""
    nights = [night for drive in ready.drives for night in _nights_on(drive, ready.plans)]
    return tuple(sorted(nights, key=lambda night: night.plan.night, reverse=True))


def _nights_on(drive: OpenDrive, plans: Iterable[NightPlan]) -> list[NightOnDrive]:
    destination = Destination(drive.root, lambda error: drive_failure(error, drive))
    own = [plan for plan in plans if plan.drive is drive]
    return [NightOnDrive(plan, destination) for plan in that_fit(drive, own)]


def _read_suspects_again(run: NightRun, nights: Iterable[NightOnDrive]) -> None:
    """Where a drive gave a bad file in one night, read what it was given in the others once more."""
    carried = [night for night in nights if night.summary is not None]
    suspect = {night.destination for night in nights if night.gave_bad_copies}
    run.read_again([night for night in carried if night.destination in suspect and not night.gave_bad_copies])


def _receipt_says(outcome: SendOutcome, drive: OpenDrive) -> bool:
    """Return whether the receipt on the drive says what would be said now, also of the nights left behind."""
    lines = read_lines(drive.folder, RECEIPT_NAME)
    try:
        if next(lines, b"") != f"{outcome.headline}\n".encode():
            return False
        rest = b"".join(lines).decode("utf-8", "replace")
    except ListTooLarge:  # somebody else's
        return False
    return outcome.nights_passed_by() in " ".join(rest.split())  # it is wrapped there
