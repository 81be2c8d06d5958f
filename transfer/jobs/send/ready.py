"""The sources looked at and compared with the drives, before anything is written."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from manifests.findings import Finding, FindingKind
from transfer.config import Config
from transfer.engine.drive import MARK_NAME, FoundDrive, OpenDrive, drive_failure, drives_to_use
from transfer.engine.medium import Medium
from transfer.engine.records import Records
from transfer.engine.sources import SourceFile, check_places
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError
from transfer.jobs.send.comparing import plan_night
from transfer.jobs.send.contents import SourceContents
from transfer.jobs.send.drive_bag import remember_compared, unfinished_nights
from transfer.jobs.send.not_taken import NotTaken, not_taken
from transfer.jobs.send.plan import LeftBehind, NightPlan
from transfer.jobs.send.safety import Safety
from transfer.jobs.send.survey import TONIGHT, Scope, Survey, chosen_nights, survey, tonight


@dataclass(frozen=True, slots=True)
class SendRequest:
    """What a person asked of one run: where to, which nights. No drive named: those configured."""

    drives: tuple[Path, ...] = ()
    scope: Scope = TONIGHT


@dataclass(frozen=True, slots=True)
class LateNight:
    """An earlier night with `unsafe` files, and by drive what of the night is to be there."""

    night: date
    unsafe: frozenset[SourceFile]
    files: Mapping[OpenDrive, Sequence[SourceFile]]


@dataclass(frozen=True, slots=True)
class Ready:
    """What a run would carry.

    `asked_for` are the nights that it is for, and `plans` these on each drive, the newest first. `late` are
    earlier nights to catch up with after these, the newest first, as far as room and time go: each is
    planned when its turn comes, since to compare it may mean to read it. `left_behind` are nights that the
    run leaves alone, and `not_taken` are files that no pattern takes: those of the nights asked for,
    and the images of earlier nights that a run would catch up with.
    """

    survey: Survey
    drives: tuple[OpenDrive, ...]
    asked_for: tuple[date, ...]
    plans: tuple[NightPlan, ...]
    late: tuple[LateNight, ...]
    left_behind: tuple[LeftBehind, ...]
    not_taken: tuple[NotTaken, ...]
    _planning: _Planning

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed of the sources, and of the drives."""
        return (*self.survey.findings, *_copied_marks(self.drives))

    def plan_of(self, late: LateNight, drive: OpenDrive) -> NightPlan:
        """Plan a night to catch up with on a drive. Raises NightferryError."""
        return self._planning.plan(drive, late.night, late.files[drive])

    def safe_nowhere(self) -> tuple[LeftBehind, ...]:
        """Return every night with files that are safe only on this computer, the oldest first.

        Raises NightferryError.
        """
        return tuple(sorted(self._planning.others(self.drives, (), None)[1]))


def _copied_marks(drives: Sequence[OpenDrive]) -> Iterator[Finding]:
    """Yield a finding for each drive that was copied with its mark, by which the records know it."""
    first: dict[str, OpenDrive] = {}
    for drive in drives:
        other = first.setdefault(drive.mark.id, drive)
        if other is not drive:
            detail = (
                f"{other.root}: what is known of one is taken for both. On the copy, delete {MARK_NAME}, "
                f'then: nightferry prepare "{drive.root}" --name NAME'
            )
            yield Finding(FindingKind.SAME_MARK, detail, str(drive.root))


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
        check_places(config.sources, drive.root, config.file)
    return [_opened(drive, around.medium, held) for drive in found], absent


def _opened(found: FoundDrive, medium: Medium, held: ExitStack) -> OpenDrive:
    drive = OpenDrive(found, medium)
    held.callback(drive.close)
    return drive


def make_ready(
    config: Config, request: SendRequest, around: Surroundings, drives: Sequence[OpenDrive]
) -> Ready:
    """Look at the sources, and compare them with the drives, if any. Raises NotThere and NightferryError."""
    keep_out = places_to_keep_out_of(config, [drive.root for drive in drives])
    seen = survey(config, around.records, around.medium, around.clock(), keep_out)
    planning = _planning(seen, around, drives)
    plans = [plan for drive in drives for plan in planning.plans_on(drive, request.scope)]
    newest_first = tuple(sorted(plans, key=lambda plan: plan.night, reverse=True))
    asked_for = {plan.night for plan in plans} | set(chosen_nights(seen, request.scope, frozenset()))
    since = _window(seen, request.scope, config)
    late, left_behind = planning.others(drives, asked_for, since)
    around.records.keep_contents(planning.contents.asked)
    nights = tuple(sorted(asked_for, reverse=True))
    earlier = [night for night in seen.not_taken if since is not None and night >= since]
    passed_over = not_taken(seen, _also_later(seen, asked_for, request.scope), earlier, around.medium)
    return Ready(seen, tuple(drives), nights, newest_first, late, left_behind, passed_over, planning)


def plans_of_night(
    seen: Survey, night: date, around: Surroundings, drives: Sequence[OpenDrive]
) -> list[NightPlan]:
    """Plan one night on each drive, and look at no other. Raises NightferryError."""
    planning = _planning(seen, around, drives)
    return [planning.plan(drive, night, planning.asked_for(drive, night, TONIGHT)) for drive in drives]


def _planning(seen: Survey, around: Surroundings, drives: Sequence[OpenDrive]) -> _Planning:
    contents = SourceContents(
        path_of=seen.path_of,
        medium=around.medium,
        stop=around.stop,
        listen=around.listen,
        before=around.records.contents(),
    )
    safety = Safety(around.records, drives, around.clock(), contents)
    return _Planning(seen, around.records, contents, safety)


def _also_later(seen: Survey, nights: set[date], scope: Scope) -> set[date]:
    """Return the nights, with those after tonight of which no pattern takes anything."""
    first = tonight(seen)
    if first is None or not scope.is_tonight:
        return nights
    return nights | {night for night in seen.not_taken if night >= first}


def places_to_keep_out_of(config: Config, drives: Iterable[Path]) -> list[Path]:
    """Return the folders that no link in a source may lead into: the night would be sent to itself."""
    return [*drives, *(archive.folder for archive in config.archives)]


def _window(seen: Survey, scope: Scope, config: Config) -> date | None:
    """Return the first night to catch up with; None where a person asked for certain nights, or for none."""
    first = tonight(seen)
    nights = config.send.catch_up_nights
    if not scope.is_tonight or first is None or not nights:
        return None
    return first - timedelta(days=min(nights, (first - date.min).days))


@dataclass(frozen=True, slots=True)
class _Planning:
    """Plans nights for the drives of one run. Raises NightferryError."""

    survey: Survey
    records: Records
    contents: SourceContents
    safety: Safety

    def plans_on(self, drive: OpenDrive, scope: Scope) -> list[NightPlan]:
        """Plan the nights that were asked for, and those that an earlier run left unfinished."""
        try:
            chosen = chosen_nights(self.survey, scope, unfinished_nights(drive.folder))
            return [self.plan(drive, night, self.asked_for(drive, night, scope)) for night in chosen]
        except OSError as error:
            raise drive_failure(error, drive) from error

    def asked_for(self, drive: OpenDrive, night: date, scope: Scope) -> Sequence[SourceFile]:
        """Return the files of a night that are to be on a drive.

        Unless a person asks for the night, those are not that an archive has, or that were checked, and that
        this drive had and has not any more; one that is damaged there is carried again. A drive that never
        had the night gets all of it.
        """
        files = self.survey.nights.get(night, ())
        if not scope.is_tonight:
            return files
        bag = self.safety.bag(drive, night)
        if not self.records.has_own_in_bag(drive.mark.id, night, bag.known.values()):
            return files
        let_go = self.safety.released(night, files)
        if let_go:
            let_go -= self.safety.there(drive, night, let_go)
            let_go = {file for file in let_go if not bag.is_damaged((file.source, file.path))}
        return [file for file in files if file not in let_go] if let_go else files

    def plan(self, drive: OpenDrive, night: date, files: Sequence[SourceFile]) -> NightPlan:
        """Plan a night on a drive."""
        try:
            plan = plan_night(self.safety.bag(drive, night), night, files, drive, self.contents)
            if plan.compared and plan.nothing_to_do:
                remember_compared(plan, self.records)
        except OSError as error:
            raise drive_failure(error, drive) from error
        return plan

    def others(
        self, drives: Sequence[OpenDrive], asked_for: Collection[date], since: date | None
    ) -> tuple[tuple[LateNight, ...], tuple[LeftBehind, ...]]:
        """Sort the nights that were not asked for and have files that are safe nowhere, the newest first.

        Those from `since` on are to be caught up with, the others left behind.
        """
        late: list[LateNight] = []
        left: list[LeftBehind] = []
        for night in sorted(self.survey.nights.keys() - set(asked_for), reverse=True):
            files = self.survey.nights[night]
            unsafe = self._unsafe(drives, night, files)
            if unsafe and since is not None and night >= since:
                on_drives = self._late_files(drives, night, files, unsafe)
                late.append(LateNight(night, frozenset(unsafe), on_drives))
            elif unsafe:
                left.append(LeftBehind(night, len(unsafe)))
        return tuple(late), tuple(left)

    def _unsafe(
        self, drives: Sequence[OpenDrive], night: date, files: Iterable[SourceFile]
    ) -> set[SourceFile]:
        try:
            return self.safety.unsafe(night, files)
        except OSError as error:
            raise drive_failure(error, drives[0]) from error

    def _late_files(
        self, drives: Sequence[OpenDrive], night: date, files: Sequence[SourceFile], unsafe: set[SourceFile]
    ) -> dict[OpenDrive, Sequence[SourceFile]]:
        """Return by drive the files that are safe nowhere, and those that the drive has beside them."""
        return {
            drive: [file for file in files if file in unsafe or file in there]
            for drive in drives
            for there in [self.safety.there(drive, night, files)]
        }
