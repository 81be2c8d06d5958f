"""The sources looked at and compared with the drives, before anything is written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from transfer.config import Config
from transfer.engine.drive import FoundDrive, OpenDrive, drive_failure, drives_to_use
from transfer.engine.medium import Medium
from transfer.engine.sources import check_places
from transfer.errors import ConfigurationError
from transfer.jobs.send.comparing import SourceContents
from transfer.jobs.send.plan import NightPlan, listed_bag, plan_night, remember_compared, unfinished_nights
from transfer.jobs.send.survey import TONIGHT, Scope, Survey, chosen_nights, survey
from transfer.records import Records
from transfer.surroundings import Surroundings


@dataclass(frozen=True, slots=True)
class SendRequest:
    """What a person asked of one run: where to, which nights. No drive named: those configured."""

    drives: tuple[Path, ...] = ()
    scope: Scope = TONIGHT


@dataclass(frozen=True, slots=True)
class Ready:
    """What a run would carry: `plans` are the chosen nights on each drive, the newest first."""

    survey: Survey
    drives: tuple[OpenDrive, ...]
    plans: tuple[NightPlan, ...]
    left_behind: tuple[date, ...]


def open_drives(
    config: Config, request: SendRequest, around: Surroundings, held: ExitStack
) -> tuple[list[OpenDrive], list[str]]:
    """Find and open the drives, and name those that are not there. `held` closes them.

    Each is opened once: what is done to it from then on reaches the drive that was found, whatever may be
    mounted, or lie, at its place by then. Raises ConfigurationError and NotThere.
    """
    if not config.sources:
        step = "Name the folders to carry, each under [[source]]."
        raise ConfigurationError("The configuration names no source", config.file, step)
    found, absent = drives_to_use(config.drives, request.drives, around.medium, around.listen)
    for drive in found:
        check_places(config.sources, drive.root)
    return [_opened(drive, around.medium, held) for drive in found], absent


def _opened(found: FoundDrive, medium: Medium, held: ExitStack) -> OpenDrive:
    drive = OpenDrive(found, medium)
    held.callback(drive.close)
    return drive


def make_ready(
    config: Config, request: SendRequest, around: Surroundings, drives: Sequence[OpenDrive]
) -> Ready:
    """Look at the sources, and compare them with the drives. Raises NotThere and NightferryError."""
    keep_out = places_to_keep_out_of(config, [drive.root for drive in drives])
    seen = survey(config, around.records, around.medium, around.clock(), keep_out)
    contents = SourceContents(seen.path_of, around.medium, around.stop, around.listen)
    plans = [
        plan for drive in drives for plan in _plans_on(drive, seen, request.scope, around.records, contents)
    ]
    newest_first = sorted(plans, key=lambda plan: plan.night, reverse=True)
    behind = _left_behind(seen, newest_first, drives)
    return Ready(seen, tuple(drives), tuple(newest_first), behind)


def places_to_keep_out_of(config: Config, drives: Iterable[Path]) -> list[Path]:
    """Return the folders that no link in a source may lead into: the night would be sent to itself."""
    return [*drives, *([config.archive.folder] if config.archive is not None else [])]


def _plans_on(
    drive: OpenDrive, seen: Survey, scope: Scope, records: Records, contents: SourceContents
) -> list[NightPlan]:
    try:
        chosen = chosen_nights(seen, scope, unfinished_nights(drive.folder))
        return [_plan(drive, night, seen, records, contents) for night in chosen]
    except OSError as error:
        raise drive_failure(error, drive) from error


def _plan(
    drive: OpenDrive, night: date, seen: Survey, records: Records, contents: SourceContents
) -> NightPlan:
    bag = listed_bag(drive, night, records)
    plan = plan_night(bag, night, seen.nights.get(night, ()), drive, contents)
    if plan.compared and plan.nothing_to_do:
        remember_compared(plan, records)
    return plan


def _left_behind(seen: Survey, chosen: Iterable[NightPlan], drives: Iterable[OpenDrive]) -> tuple[date, ...]:
    """Return the nights that are on this computer, not in this run, and on none of its drives."""
    carried = {plan.night for plan in chosen}
    other = (night for night in sorted(seen.nights) if night not in carried)
    return tuple(
        night for night in other if not any(drive.folder.stat(night.isoformat()) for drive in drives)
    )
