"""What `send` would carry, whether it fits, how long it takes, and what looks wrong: by day."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from manifests.findings import Finding
from transfer.archive.freeing import DriveNight
from transfer.config import Config
from transfer.engine.drive import NoDriveHere, OpenDrive, find_drives
from transfer.engine.records import Records
from transfer.engine.resting import let_rest
from transfer.engine.sources import SourceFile, walk
from transfer.engine.surroundings import Surroundings
from transfer.errors import DriveFailed, ExitCode, NightferryError, NotThere
from transfer.jobs.send.not_taken import NotTaken
from transfer.jobs.send.pace import Pace, RestsOn, pace_of
from transfer.jobs.send.plan import LeftBehind, NightPlan, that_fit
from transfer.jobs.send.ready import Ready, SendRequest, make_ready, open_drives
from transfer.jobs.send.room import enough_for, room_on, with_way_out
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class PlannedNight:
    """One night on one drive: files that belong there, those to carry, those that wait to be read back."""

    night: date
    drive: str
    files: int
    size_bytes: int
    carry: int
    carry_bytes: int
    waiting: int
    there: int

    def as_json(self) -> dict[str, Any]:
        """Return the night as `--json` prints it."""
        return {
            "night": self.night.isoformat(),
            "drive": self.drive,
            "files": self.files,
            "bytes": self.size_bytes,
            "carry": self.carry,
            "carry_bytes": self.carry_bytes,
            "waiting": self.waiting,
            "there": self.there,
        }


@dataclass(frozen=True, slots=True)
class PlannedDrive:
    """One drive: what is free, what would be carried, and about how long that takes, in seconds.

    `pace` is what the time is estimated from.
    """

    name: str
    root: Path
    free_bytes: int
    carry_bytes: int
    takes_s: float
    pace: Pace

    def as_json(self) -> dict[str, Any]:
        """Return the drive as `--json` prints it."""
        return {
            "drive": self.name,
            "path": str(self.root),
            "free_bytes": self.free_bytes,
            "carry_bytes": self.carry_bytes,
            "takes_s": round(self.takes_s, 1),
            "measured": self.pace.rests_on is not RestsOn.GUESS,
            "estimated_from": self.pace.rests_on.value,
        }


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """What a run would do. `problems` keep it from being done; `findings` deserve a look.

    `going` are nights that it would let go from drives to make room.
    """

    nights: tuple[PlannedNight, ...]
    drives: tuple[PlannedDrive, ...]
    problems: tuple[NightferryError, ...]
    findings: tuple[Finding, ...]
    absent: tuple[str, ...] = ()
    left_behind: tuple[LeftBehind, ...] = ()
    not_taken: tuple[NotTaken, ...] = ()
    going: tuple[DriveNight, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """The exit code that the first problem gives; 1 where something only looks wrong."""
        if self.problems:
            return self.problems[0].exit_code
        return ExitCode.SOMETHING_UNPROVEN if self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Say in one line how things stand."""
        if self.problems:
            return str(self.problems[0])
        looks = f"; {counted(len(self.findings), 'finding')} to look at" if self.findings else ""
        return f"{counted(sum(night.carry for night in self.nights), 'file')} would be carried{looks}."

    def as_json(self) -> dict[str, Any]:
        """Return the plan as `--json` prints it."""
        return {
            "command": "plan",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [night.as_json() for night in self.nights],
            "drives": [drive.as_json() for drive in self.drives],
            "lets_go": [[night.drive.name, night.night.isoformat()] for night in self.going],
            "problems": [str(problem) for problem in self.problems],
            "drives_absent": list(self.absent),
            "nights_left_behind": [left.night.isoformat() for left in self.left_behind],
            "files_left_behind": sum(left.files for left in self.left_behind),
            "not_taken": [each.as_json() for each in self.not_taken],
            "findings": [finding.as_json() for finding in self.findings],
        }


def preview(config: Config, request: SendRequest, around: Surroundings) -> PlanOutcome:
    """Look at sources and drives and compare them. Nothing is written to a drive.

    Raises ConfigurationError; a drive or a source that is not there is a problem in the outcome.
    """
    problems = _missing_sources(config)
    if problems:
        away = () if request.drives else find_drives(config.drives, around.medium)[1]
        return PlanOutcome((), (), tuple(problems), (), absent=tuple(drive.name for drive in away))
    with ExitStack() as held:
        try:
            drives, absent = open_drives(config, request, around, held)
            ready = make_ready(config, request, around, drives)
        except NotThere as error:
            return _without_a_drive(config, request, around, error)
        let_rest(drive.root for drive in drives)
        return _as_planned(config, ready, absent, _Room(config, around, held))


def _missing_sources(config: Config) -> list[NightferryError]:
    missing: list[NightferryError] = []
    for source in config.sources:
        try:
            next(iter(walk(source)), None)
        except NotThere as error:
            missing.append(error)
    return missing


def _without_a_drive(
    config: Config, request: SendRequest, around: Surroundings, error: NotThere
) -> PlanOutcome:
    """Say what there is to carry, all the same."""
    ready = make_ready(config, request, around, ())
    files = {night: tuple(ready.survey.nights.get(night, ())) for night in ready.asked_for}
    files |= {late.night: tuple(late.unsafe) for late in ready.late}
    planned = tuple(_unplaced(night, of_night) for night, of_night in files.items())
    return PlanOutcome(
        planned,
        (),
        (error,),
        findings=(*ready.findings, *(each.finding for each in ready.not_taken)),
        absent=error.absent if isinstance(error, NoDriveHere) else (),
        left_behind=tuple(sorted(ready.left_behind)),
        not_taken=ready.not_taken,
    )


def _unplaced(night: date, files: Sequence[SourceFile]) -> PlannedNight:
    size = sum(file.size_bytes for file in files)
    return PlannedNight(night, "", len(files), size, len(files), size, 0, 0)


@dataclass(frozen=True, slots=True)
class _Room:
    """Asks what may go from drives, where something does not fit. `held` closes what is read of it."""

    config: Config
    around: Surroundings
    held: ExitStack

    def problems(
        self, ready: Ready, short: Sequence[NightPlan]
    ) -> tuple[list[NightferryError], tuple[DriveNight, ...]]:
        """Return what stands in the way of plans that do not fit, and the nights that `send` would let go."""
        spare = {*ready.asked_for, *(late.night for late in ready.late)}
        may_go = room_on(self.config, self.around, ready.drives, spare, self.held) if short else ()
        going: list[DriveNight] = []
        problems: list[NightferryError] = []
        for plan in (with_way_out(plan, may_go) for plan in short):
            fits = enough_for(plan, may_go) if self.config.send.make_room else []
            going += [night for night in fits if night not in going]
            problems += [plan.too_large] if plan.too_large is not None and not fits else []
        return problems, tuple(going)


def _as_planned(config: Config, ready: Ready, absent: Sequence[str], room: _Room) -> PlanOutcome:
    late = {late.night: [ready.plan_of(late, drive) for drive in late.files] for late in ready.late}
    plans = [*ready.plans, *(plan for plans in late.values() for plan in plans)]
    fitting = [fits for drive in ready.drives for fits in _that_fit(drive, plans)]
    carried = {plan.night for plan in fitting if plan.too_large is None}
    # Before what there is no room for was left out.
    shown = [plan for plan in plans if plan.night not in late or plan.night in carried]
    too_late = [LeftBehind(each.night, len(each.unsafe)) for each in ready.late if each.night not in carried]
    short = [plan for plan in fitting if plan.too_large is not None and plan.night not in late]
    problems, going = room.problems(ready, short)
    drives = tuple(_drive(drive, shown, room.around.records) for drive in ready.drives)
    found = (finding for plan in shown for finding in (*plan.noticed, *plan.refused))
    return PlanOutcome(
        nights=tuple(_planned(plan) for plan in shown),
        drives=drives,
        problems=(*_read_only(ready.drives), *problems, *_too_slow(config, drives)),
        findings=(*ready.findings, *(each.finding for each in ready.not_taken), *found),
        not_taken=ready.not_taken,
        absent=tuple(absent),
        left_behind=tuple(sorted((*ready.left_behind, *too_late))),
        going=going,
    )


def _that_fit(drive: OpenDrive, plans: Sequence[NightPlan]) -> list[NightPlan]:
    return that_fit(drive, [plan for plan in plans if plan.drive is drive])


def _planned(plan: NightPlan) -> PlannedNight:
    return PlannedNight(
        night=plan.night,
        drive=plan.drive.name,
        files=plan.files,
        size_bytes=plan.size_bytes,
        carry=len(plan.tasks),
        carry_bytes=plan.task_bytes,
        waiting=plan.waiting,
        there=plan.there,
    )


def _drive(drive: OpenDrive, plans: Sequence[NightPlan], records: Records) -> PlannedDrive:
    own = [plan for plan in plans if plan.drive is drive]
    carry = sum(plan.task_bytes for plan in own)
    read = carry + sum(plan.to_read_bytes for plan in own)
    pace = pace_of(drive, records)
    free = drive.folder.free_bytes()
    return PlannedDrive(drive.name, drive.root, free, carry, pace.takes_s(carry, read), pace)


def _read_only(drives: Sequence[OpenDrive]) -> list[NightferryError]:
    step = "Is there a switch on it, was it not unmounted cleanly, or does it belong to another user?"
    return [
        DriveFailed("The drive cannot be written to", drive.root, step)
        for drive in drives
        if not drive.folder.may_be_written()
    ]


def _too_slow(config: Config, drives: tuple[PlannedDrive, ...]) -> list[NightferryError]:
    limit_s = config.send.time_limit_s
    return [
        NightferryError(
            f"Carrying takes about {drive.takes_s / 60:.0f} min; the time limit is {limit_s / 60:.0f} min",
            drive.root,
            "Raise [send] time_limit, or send more often; what is left is carried by the next run.",
        )
        for drive in drives
        if limit_s is not None and drive.takes_s > limit_s
    ]
