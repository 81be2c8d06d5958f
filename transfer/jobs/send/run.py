"""The end-of-night job: every frame and every log of the night to every drive that is there, proven."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from manifests.bags.list_sizes import ListTooLarge
from transfer.config import Config
from transfer.engine.bag.lines import read_lines
from transfer.engine.drive import RECEIPT_NAME, FoundDrive, OpenDrive, alone_on, drive_at, find_drives, once
from transfer.engine.medium import Medium
from transfer.engine.resting import let_rest
from transfer.engine.sources import check_places
from transfer.errors import ConfigurationError, DoesNotFit, DriveFailed, NightferryError, NotThere, unforeseen
from transfer.jobs.send.comparing import Contents
from transfer.jobs.send.drive_night import DriveNight, drive_failure
from transfer.jobs.send.ending import ending, failed
from transfer.jobs.send.last_answer import Answer, Asked, asked, keep_answer
from transfer.jobs.send.night_plan import (
    RESERVE_BYTES,
    NightPlan,
    listed_bag,
    plan_night,
    remember_compared,
    unfinished_nights,
)
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.survey import TONIGHT, Scope, Survey, chosen_nights, survey
from transfer.records import Records
from transfer.surroundings import Surroundings


@dataclass(frozen=True, slots=True)
class SendRequest:
    """What a person asked of one run: where to, which nights. No drive named: those configured."""

    drives: tuple[Path, ...] = ()
    scope: Scope = TONIGHT

    @property
    def asked(self) -> Asked:
        """What was asked, in words that can be kept."""
        return asked(self.drives, self.scope.nights, self.scope.since, self.scope.everything)


@dataclass(frozen=True, slots=True)
class Ready:
    """The sources looked at and compared with the drives: what a run would carry. Nothing is written yet.

    `nights` are the chosen ones on each drive, the newest first.
    """

    survey: Survey
    drives: tuple[OpenDrive, ...]
    nights: tuple[DriveNight, ...]
    left_behind: tuple[date, ...]


def find_named_drives(
    config: Config, request: SendRequest, medium: Medium
) -> tuple[list[FoundDrive], list[str]]:
    """Find the drives to send to, and name those that are not there.

    Raises NotThere where there is none: a folder without a mark is never taken for a drive.
    """
    if request.drives:
        return once(drive_at(path) for path in request.drives), []
    found, absent = find_drives(config.drives, medium)
    if not found:
        names = ", ".join(f"{drive.name!r}" for drive in config.drives) or "any name"
        others = ", ".join(f"{drive.mark.name!r} at {drive.root}" for drive in find_drives((), medium)[0])
        there = f" (there is {others})" if others else ""
        step = "Plug it in and mount it. A new one is made ready with: nightferry prepare PATH --name NAME"
        raise NotThere(f"No prepared drive of {names} is mounted on this computer{there}", "", step)
    return found, [drive.name for drive in absent]


def open_drives(
    config: Config, request: SendRequest, medium: Medium, held: ExitStack
) -> tuple[list[OpenDrive], list[str]]:
    """Find and open the drives, and name those that are not there. `held` lets go of them.

    Each is opened once: what is done to it from then on reaches the drive that was found, whatever may be
    mounted, or lie, at its place by then. Raises ConfigurationError and NotThere.
    """
    if not config.sources:
        step = "Name the folders to carry, each under [[source]]."
        raise ConfigurationError("The configuration names no source", config.file, step)
    found, absent = find_named_drives(config, request, medium)
    for drive in found:
        check_places(config.sources, drive.root)
    return [_opened(drive, medium, held) for drive in found], absent


def make_ready(
    config: Config, request: SendRequest, around: Surroundings, drives: Sequence[OpenDrive]
) -> Ready:
    """Look at the sources, and compare them with the drives. Raises NotThere and NightferryError."""
    keep_out = places_to_keep_out_of(config, [drive.root for drive in drives])
    seen = survey(config, around.records, around.medium, around.clock(), keep_out)
    contents = Contents(seen.path_of, around.medium, around.stop, around.listen)
    nights = [
        night
        for drive in drives
        for night in _nights_on(drive, seen, request.scope, around.records, contents)
    ]
    newest_first = sorted(nights, key=lambda each: each.plan.night, reverse=True)
    behind = _left_behind(seen, newest_first, drives)
    return Ready(seen, tuple(drives), tuple(newest_first), behind)


def places_to_keep_out_of(config: Config, drives: Iterable[Path]) -> list[Path]:
    """Give the folders that no link in a source may lead into: the night would be sent to itself."""
    return [*drives, *([config.archive.folder] if config.archive is not None else [])]


def _opened(found: FoundDrive, medium: Medium, held: ExitStack) -> OpenDrive:
    drive = OpenDrive(found, medium)
    held.callback(drive.close)
    return drive


def _nights_on(
    drive: OpenDrive, seen: Survey, scope: Scope, records: Records, contents: Contents
) -> list[DriveNight]:
    try:
        chosen = chosen_nights(seen, scope, unfinished_nights(drive.folder))
        return [DriveNight(drive, _plan(drive, night, seen, records, contents)) for night in chosen]
    except OSError as error:
        raise drive_failure(error, drive) from error


def _plan(drive: OpenDrive, night: date, seen: Survey, records: Records, contents: Contents) -> NightPlan:
    bag = listed_bag(drive, night, records)
    plan = plan_night(bag, night, seen.nights.get(night, ()), drive, contents)
    if plan.compared and plan.nothing_to_do:
        remember_compared(plan, drive, records)
    return plan


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
        self._absent: tuple[str, ...] = ()
        self._ready: Ready | None = None
        self._working: list[DriveNight] = []

    def run(self) -> SendOutcome:
        """Do the job. What ends it early is told in the outcome, and on this computer."""
        try:
            with ExitStack() as held:
                outcome = self._run(held)
                if any(night.hangs for night in self._working):
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
        _keep_receipt(outcome, self._around.records)
        return outcome

    def _run(self, held: ExitStack) -> SendOutcome:
        drives, absent = open_drives(self._config, self._request, self._around.medium, held)
        for drive in drives:
            held.enter_context(alone_on(drive, self._around.medium))
        self._absent = tuple(absent)
        self._ready = make_ready(self._config, self._request, self._around, drives)
        self._working = [night for night in self._ready.nights if not night.plan.nothing_to_do]
        for drive in self._ready.drives:
            fit(drive, [night for night in self._working if night.drive is drive])
        self._working = [night for night in self._working if not night.plan.nothing_to_do]
        outcome = (self._carry if self._working else self._nothing_to_carry)(self._ready)
        at_work = {night.drive.root for night in self._working}
        let_rest(drive.root for drive in drives if drive.root not in at_work)
        return outcome

    def _carry(self, ready: Ready) -> SendOutcome:
        # Loaded only where there is something to carry: most looks at a drive find nothing to do.
        from transfer.jobs.send.carrying import Carrying

        carrying = Carrying(ready.survey, self._working, self._around)
        carrying.run(self._began)
        told = self.outcome()
        carrying.leave_receipts(told)
        # What this could not leave is told as well, and otherwise the same on drive, screen and computer.
        outcome = replace(self.outcome(), ended=told.ended)
        _keep_receipt(outcome, self._around.records)
        return outcome

    def _nothing_to_carry(self, ready: Ready) -> SendOutcome:
        """Say why. Where all is there, keep the answer for as long as nothing that it rests on changes."""
        outcome = self.outcome()
        if not outcome.nothing_new:
            # The receipt of an earlier run may say on the drive that all is well.
            from transfer.jobs.send.carrying import Carrying

            lied_to = [night for night in ready.nights if night.drive.folder.stat(RECEIPT_NAME) is not None]
            Carrying(ready.survey, lied_to, self._around).leave_receipts(outcome)
            _keep_receipt(outcome, self._around.records)
        elif wrong := [night for night in ready.nights if not _receipt_says(outcome, night.drive)]:
            # An earlier run died at its very end, missed a file that has gone since, or left fewer nights.
            from transfer.jobs.send.carrying import Carrying

            Carrying(ready.survey, wrong, self._around).leave_receipts(outcome)
            return self.outcome()
        else:
            self._keep_answer(ready, outcome)
        return outcome

    def _keep_answer(self, ready: Ready, outcome: SendOutcome) -> None:
        nights: dict[Path, list[str]] = {drive.root: [] for drive in ready.drives}
        for night in ready.nights:
            nights[night.drive.root].append(night.plan.bag.path)
        what_now = "\n".join([outcome.next_step, *outcome.passed_by()])
        answer = Answer(outcome.message, what_now, outcome.as_json())
        records = self._around.records.folder
        keep_answer(self._config, self._request.asked, records, nights, ready.survey.digest, answer)

    def outcome(self) -> SendOutcome:
        """Say how things stand now."""
        now, ready = self._around.clock(), self._ready
        if ready is None:
            return ending(self._began, now, self._around.stop, (), ())
        told = ending(self._began, now, self._around.stop, ready.nights, ready.survey.findings)
        if not ready.nights and ready.survey.nights:
            nights = ", ".join(self._request.asked.nights)
            told = replace(told, message=f"No file is of the nights that were asked for: {nights}.")
        return replace(told, absent=self._absent, left_behind=ready.left_behind)


def _receipt_says(outcome: SendOutcome, drive: OpenDrive) -> bool:
    """Tell whether the receipt on the drive says what would be said now, of the nights that are left, too."""
    lines = read_lines(drive.folder, RECEIPT_NAME)
    try:
        if next(lines, b"") != f"{outcome.headline}\n".encode():
            return False
        rest = b"".join(lines).decode("utf-8", "replace")
    except ListTooLarge:  # somebody else's
        return False
    return outcome.nights_passed_by() in " ".join(rest.split())  # it is wrapped there


def _keep_receipt(outcome: SendOutcome, records: Records) -> None:
    """Keep the receipt on this computer, too."""
    from transfer.jobs.send.receipt import receipt

    records.keep_receipt(receipt(outcome), outcome.ended)


def fit(drive: OpenDrive, nights: list[DriveNight]) -> None:
    """Keep the nights that fit on the drive, the newest first; the others are left out, and told."""
    free = max(drive.folder.free_bytes() - RESERVE_BYTES, 0)  # once, whatever the number of nights
    for night in nights:
        needed = night.plan.needed_bytes()
        if needed > free:
            night.full = _too_much(drive, night.plan, needed, free)
            night.plan.leave_out()
        free -= needed if night.full is None else 0


def _too_much(drive: OpenDrive, plan: NightPlan, needed: int, free: int) -> DoesNotFit:
    night = plan.night.isoformat()
    import humanize  # not loaded where everything fits

    room = humanize.naturalsize(free)
    happened = f"The night of {night} needs {humanize.naturalsize(needed)}, and there is room for {room}"
    return DoesNotFit(happened, drive.root, "Make room on the drive, or send to another one.")
