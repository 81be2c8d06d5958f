"""The end-of-night job: every frame and every log of the night to every drive that is there, proven."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

from transfer.config import Config
from transfer.engine.drive import FoundDrive, OpenDrive, drive_at, find_drives, only_run_on
from transfer.engine.durable import write_durably
from transfer.engine.medium import Medium
from transfer.engine.sources import check_places
from transfer.errors import ConfigurationError, DoesNotFit, NightferryError, NotThere
from transfer.events import Listener, nobody
from transfer.jobs.drive_night import DriveNight, drive_failure
from transfer.jobs.ending import ending, failed
from transfer.jobs.night_plan import NightPlan, listed_bag, plan_night, unfinished_nights
from transfer.jobs.outcome import SendOutcome
from transfer.jobs.survey import TONIGHT, Scope, Survey, chosen_nights, survey
from transfer.receipt import RECEIPT_NAME, receipt, unfinished_receipt
from transfer.records import Records
from transfer.stop import Stop


@dataclass(frozen=True, slots=True)
class SendRequest:
    """What a person asked of one run: where to, which nights. No drive named: those configured."""

    drives: tuple[Path, ...] = ()
    scope: Scope = TONIGHT


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a job works with: the operating system, this computer's records, when to end, who listens."""

    medium: Medium
    records: Records
    stop: Stop
    listen: Listener = nobody
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Ready:
    """The sources looked at and compared with the drives: what a run would carry. Nothing is written yet.

    `nights` are the chosen ones on each drive, the newest first.
    """

    survey: Survey
    drives: tuple[OpenDrive, ...]
    absent: tuple[str, ...]
    nights: tuple[DriveNight, ...]
    left_behind: tuple[date, ...]


def find_named_drives(
    config: Config, request: SendRequest, medium: Medium
) -> tuple[list[FoundDrive], list[str]]:
    """Find the drives to send to, and name those that are not there.

    Raises NotThere where there is none: a folder without a mark is never taken for a drive.
    """
    if request.drives:
        return [drive_at(path) for path in request.drives], []
    found, absent = find_drives(config.drives, medium)
    if not found:
        names = ", ".join(f"{drive.name!r}" for drive in config.drives) or "any name"
        step = "Plug it in and mount it. A new one is made ready with: nightferry prepare PATH --name NAME"
        raise NotThere(f"No prepared drive of {names} is mounted on this computer", "", step)
    return found, [drive.name for drive in absent]


def make_ready(config: Config, request: SendRequest, around: Surroundings, held: ExitStack) -> Ready:
    """Find and open the drives, look at the sources, and compare. `held` lets go of the drives.

    Raises ConfigurationError and NotThere.
    """
    if not config.sources:
        step = "Name the folders to carry, each under [[source]]."
        raise ConfigurationError("The configuration names no source", config.file, step)
    found, absent = find_named_drives(config, request, around.medium)
    for drive in found:
        check_places(config.sources, drive.root)
    drives = tuple(_opened(drive, around.medium, held) for drive in found)
    seen = survey(config, around.records, around.clock())
    nights = [night for drive in drives for night in _nights_on(drive, seen, request.scope, around.records)]
    newest_first = sorted(nights, key=lambda each: each.plan.night, reverse=True)
    behind = _left_behind(seen, newest_first, drives)
    return Ready(seen, drives, tuple(absent), tuple(newest_first), behind)


def _opened(found: FoundDrive, medium: Medium, held: ExitStack) -> OpenDrive:
    drive = OpenDrive(found, medium)
    held.callback(drive.close)
    return drive


def _nights_on(drive: OpenDrive, seen: Survey, scope: Scope, records: Records) -> list[DriveNight]:
    try:
        chosen = chosen_nights(seen, scope, unfinished_nights(drive.folder))
        return [DriveNight(drive, _plan(drive, night, seen, records)) for night in chosen]
    except OSError as error:
        raise drive_failure(error, drive) from error


def _plan(drive: OpenDrive, night: date, seen: Survey, records: Records) -> NightPlan:
    return plan_night(listed_bag(drive, night, records), night, seen.nights.get(night, ()), drive.limits)


def _left_behind(seen: Survey, chosen: Iterable[DriveNight], drives: Iterable[OpenDrive]) -> tuple[date, ...]:
    """Give the nights that are on this computer, not in this run, and on none of its drives."""
    carried = {each.plan.night for each in chosen}
    other = (night for night in sorted(seen.nights) if night not in carried)
    return tuple(
        night for night in other if not any(drive.folder.stat(night.isoformat()) for drive in drives)
    )


class SendRun:
    """One run of `send`. `outcome` can be asked at any time, also while the run hangs on a dead drive."""

    def __init__(self, config: Config, request: SendRequest, around: Surroundings) -> None:
        self._config = config
        self._request = request
        self._around = around
        self._began = around.clock()
        self._ready: Ready | None = None
        self._working: list[DriveNight] = []

    def run(self) -> SendOutcome:
        """Do the job. What ends it early is told in the outcome, and on this computer."""
        try:
            with ExitStack() as held:
                return self._run(held)
        except NightferryError as error:
            outcome = failed(error, self._began, self._around.clock())
            self._around.records.keep_receipt(receipt(outcome), outcome.ended)
            return outcome

    def _run(self, held: ExitStack) -> SendOutcome:
        for found in find_named_drives(self._config, self._request, self._around.medium)[0]:
            held.enter_context(only_run_on(found.root, self._around.medium))
        self._ready = make_ready(self._config, self._request, self._around, held)
        self._working = [night for night in self._ready.nights if not night.plan.nothing_to_do]
        for drive in self._ready.drives:
            fit(drive, [night for night in self._working if night.drive is drive])
        if not self._working:
            return self.outcome()
        self._carry(self._ready)
        return self._hand_over(self.outcome())

    def _carry(self, ready: Ready) -> None:
        for drive in {id(night.drive): night.drive for night in self._working}.values():
            self._say_unfinished(drive)
        from transfer.jobs.night_run import NightRun  # with all that copies: most looks find nothing to do

        around = self._around
        run = NightRun(ready.survey, around.medium, around.records, around.listen, around.stop)
        for _, group in itertools.groupby(self._working, key=lambda night: night.plan.night):
            run.carry([night for night in group if night.failure is None])
            self._pass_failures_on()
        suspect = {id(night.drive) for night in self._working if night.again}
        run.read_again(
            [n for n in self._working if id(n.drive) in suspect and n.summary is not None and not n.again]
        )

    def _say_unfinished(self, drive: OpenDrive) -> None:
        try:
            write_durably(drive.folder, RECEIPT_NAME, unfinished_receipt(self._began).encode("utf-8"))
        except OSError as error:
            raise drive_failure(error, drive) from error

    def _pass_failures_on(self) -> None:
        """Leave a drive that has failed out of the nights that follow."""
        failed = {id(night.drive): night.failure for night in self._working if night.failure is not None}
        for night in self._working:
            night.failure = night.failure or failed.get(id(night.drive))

    def outcome(self) -> SendOutcome:
        """Say how things stand now."""
        now, ready = self._around.clock(), self._ready
        if ready is None:
            return ending(self._began, now, self._around.stop, (), ())
        told = ending(self._began, now, self._around.stop, ready.nights, ready.survey.findings)
        return replace(told, absent=ready.absent, left_behind=ready.left_behind)

    def _hand_over(self, outcome: SendOutcome) -> SendOutcome:
        """Leave the receipt on each drive, the last thing written to it, and on this computer."""
        assert self._ready is not None
        text = receipt(outcome)
        for night in {id(night.drive): night for night in self._working}.values():
            if night.failure is None:
                self._leave_receipt(night, text)
        if any(night.failure for night in self._working) and outcome.safe_to_pull:
            outcome = self.outcome()
        self._around.records.keep_receipt(receipt(outcome), outcome.ended)
        return outcome

    @staticmethod
    def _leave_receipt(night: DriveNight, text: str) -> None:
        try:
            write_durably(night.drive.folder, RECEIPT_NAME, text.encode("utf-8"))
        except OSError as error:
            night.failure = drive_failure(error, night.drive)
        except NightferryError as error:
            night.failure = error


def fit(drive: OpenDrive, nights: list[DriveNight]) -> None:
    """Keep the nights that fit on the drive, the newest first; the others are left out, and told.

    Raises DoesNotFit, before a byte is written, where not even the newest fits.
    """
    free = drive.folder.free_bytes()
    for night in nights:
        needed = night.plan.needed_bytes()
        if needed > free:
            night.full = _too_much(drive, night.plan, needed, free)
            night.plan.leave_out()
        free -= needed if night.full is None else 0
    if nights and all(night.full is not None for night in nights):
        assert nights[0].full is not None
        raise nights[0].full


def _too_much(drive: OpenDrive, plan: NightPlan, needed: int, free: int) -> DoesNotFit:
    night = plan.night.isoformat()
    happened = f"The night of {night} needs {needed / 1e9:.2f} GB, and {free / 1e9:.2f} GB are free"
    return DoesNotFit(happened, drive.root, "Make room on the drive, or send to another one.")
