"""The morning's job on the big computer: every night on a drive, or a folder of frames, into the archive."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.keywords import KEYWORDS
from manifests.frames.names.catalogues import CatalogueUnreadable, load_catalogue
from transfer.archive.contents import Holdings, brought_up_to_date, holdings_of
from transfer.archive.held import OpenArchive, held_archive, looked_at_archive
from transfer.archive.logs import read_filed_logs
from transfer.archive.naming import Namer, NameSources
from transfer.archive.recovering import recover
from transfer.archive.shelf import Shelf
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.engine.unforeseen import unforeseen
from transfer.errors import ConfigurationError, DoesNotFit, DriveFailed, NightferryError
from transfer.jobs.file.account import Account
from transfer.jobs.file.acknowledging import NotAcknowledged, acknowledge, take_back
from transfer.jobs.file.background import Background
from transfer.jobs.file.carriage import Carriage
from transfer.jobs.file.dating import Dating
from transfer.jobs.file.deliveries import Search
from transfer.jobs.file.ending import exit_code, failed, message, next_step, planned_message
from transfer.jobs.file.outcome import FileOutcome
from transfer.jobs.file.planning import Planner, lack_of_room
from transfer.jobs.file.receiving import Filing
from transfer.jobs.file.skies import Skies

WAIT_S = 600.0


@dataclass(frozen=True, slots=True)
class FileRequest:
    """What a person asked for: what to file (else every drive that is connected), and how.

    `list_files` keeps what became of each file; `wait_s` is how long to wait for another run's turn to end.
    """

    path: Path | None = None
    dry_run: bool = False
    list_files: bool = False
    new_archive: bool = False
    wait_s: float = WAIT_S


class FileRun:
    """One run of `file`. `outcome` can be asked at any time, also while the run hangs on a dead disk."""

    def __init__(self, config: Config, request: FileRequest, around: Surroundings) -> None:
        self._config = config
        self._request = request
        self._around = around
        self._accounts: list[Account] = []
        self._findings: list[Finding] = []
        self._unseen: list[Finding] = []
        self._full: list[DoesNotFit] = []
        self._failure: NightferryError | None = None
        self._cut_short = False
        self._archive: OpenArchive | None = None
        self._namer: Namer | None = None
        self._shelf: Shelf | None = None

    def run(self) -> FileOutcome:
        """Do the job. What ends it early is in the outcome, beside the account of what was filed."""
        try:
            with ExitStack() as held:
                self._run(held)
        except NightferryError as error:
            self._end(error)
        except OSError as error:
            step = "Look at what is there, then file again: what is in the archive stays there."
            happened = f"It cannot be used ({error.strerror or error})"
            self._end(DriveFailed(happened, error.filename or "", step))
        except Exception as fault:  # noqa: BLE001 - a run reports how it ended, whatever happened
            self._end(unforeseen(fault))
        finally:
            # The index was written last; both disks may be pulled now.
            roots = [] if self._archive is None else [self._archive.root]
            let_rest([*roots, *(account.delivery.root for account in self._accounts)])
        if self._failure is not None and not self._accounts:
            return failed(self._failure, self._folder_shown)
        return self.outcome()

    def _end(self, error: NightferryError) -> None:
        self._failure = self._failure or error

    @property
    def _folder_shown(self) -> str:
        return "" if self._config.archive is None else str(self._config.archive.folder)

    def _run(self, held: ExitStack) -> None:
        root, dating = self._archive_folder(), self._dating()
        search = Search(self._config, root, self._around.medium, dating, held, listen=self._around.listen)
        deliveries = search.deliveries(self._request.path)
        archive = held.enter_context(self._opened(root))
        shelf = self._shelf = Shelf(archive, self._around.clock)
        held.callback(shelf.leave)
        if not self._request.dry_run:
            self._findings += recover(archive, shelf)
            shelf.forget()
        holdings = held.enter_context(
            holdings_of(archive.folder, may_write=not self._request.dry_run, on_network=archive.on_network)
        )
        self._namer = Namer(self._own_tables(), holdings.in_use())
        planner = Planner(self._namer, shelf, holdings, self._around.medium, archive.limits)
        accounts = (Account(delivery, self._request.list_files) for delivery in deliveries)
        if self._request.dry_run:
            self._plan(accounts, planner, archive)
        else:
            self._carry(accounts, Filing(archive, shelf, planner, holdings, Skies(self._config.site)))
        self._unseen += search.findings
        self._findings += self._new(holdings)

    def _archive_folder(self) -> Path:
        if self._config.archive is None:
            step = "Name the archive's folder under [archive]."
            raise ConfigurationError("The configuration names no archive", self._config.file, step)
        return self._config.archive.folder

    @contextmanager
    def _opened(self, root: Path) -> Iterator[OpenArchive]:
        request = self._request
        if request.dry_run:
            opening = looked_at_archive(root, self._around, begin_anew=request.new_archive)
        else:
            opening = held_archive(root, self._around, wait_s=request.wait_s, begin_anew=request.new_archive)
        with opening as archive:
            self._archive = archive
            yield archive

    def _dating(self) -> Dating:
        longitude_deg, guess = longitude_of(self._config, self._around.clock())
        table = KEYWORDS.extended(self._config.keywords) if self._config.keywords else KEYWORDS
        latitude_deg = None if self._config.site is None else self._config.site.latitude_deg
        return Dating(self._around.medium, longitude_deg, guess, table, latitude_deg)

    def _own_tables(self) -> NameSources:
        try:
            catalogue = load_catalogue()
        except CatalogueUnreadable as fault:
            catalogue = None
            self._findings.append(Finding(FindingKind.UNREADABLE, fault.reason, str(fault.path)))
        config = self._config
        equipment = EquipmentNames(config.telescopes, config.cameras)
        return NameSources(config.targets, config.filters, equipment, catalogue)

    def _new(self, holdings: Holdings) -> list[Finding]:
        return [finding for finding in dict.fromkeys(holdings.findings) if finding not in self._findings]

    # Planning only

    def _plan(self, accounts: Iterator[Account], planner: Planner, archive: OpenArchive) -> None:
        needed_bytes = 0
        for account in accounts:
            self._accounts.append(account)
            for portion in account.delivery.portions:
                plan = planner.plan(portion.items)
                needed_bytes += plan.needed_bytes
                for planned in plan.carry:
                    account.count_planned(planned)
                for placed in plan.there:
                    account.count_there(placed, None)
                account.count_refused([*plan.refusals, *portion.refusals])
                account.note(portion.findings)
            account.count_refused(account.delivery.refusals)
        lack = lack_of_room("What would be filed", needed_bytes, archive)
        self._full += [] if lack is None else [lack]

    # Carrying

    def _carry(self, accounts: Iterator[Account], filing: Filing) -> None:
        archive, background = filing.archive, Background()
        carriage = Carriage(filing, self._around, background)
        try:
            with background:
                for account in accounts:
                    self._cut_short = carriage.has_to_end
                    if self._cut_short:
                        break
                    self._accounts.append(account)
                    carriage.carry(account, lambda account: self._acknowledge(account, archive))
        finally:
            self._failure, self._full = carriage.failure, carriage.full
        if any(account.result().filed for account in self._accounts):
            self._findings += brought_up_to_date(archive.folder, on_network=archive.on_network)
            self._findings += self._logs_read(archive)

    def _logs_read(self, archive: OpenArchive) -> tuple[Finding, ...]:
        assert self._shelf is not None
        stop, bags = self._around.stop, self._shelf.bags_brought_to()
        now = self._around.clock()
        return read_filed_logs(self._config, archive, bags, now, lambda: not stop.why)

    def _acknowledge(self, account: Account, archive: OpenArchive) -> None:
        """Write the archive's acknowledgement onto the drive, where all of the night is in the archive.

        One that covers a file which the archive has no more as it was is taken back from the drive.
        """
        bag, files = account.delivery.acknowledgeable, tuple(account.acknowledgeable_files)
        if bag is None:
            return
        medium, why = self._around.medium, ""
        try:
            if account.whole and files:
                acknowledge(bag, files, archive, self._around.clock(), medium)
                account.note_acknowledged()
            elif take_back(bag, self._damaged_places(), archive, medium):
                why = "the archive has not all its files as they were: its acknowledgement was taken back"
        except NotAcknowledged as error:
            why = str(error)
            if account.whole:
                account.note_unanswered(why)
            else:
                why = f"its acknowledgement does not hold any more, and could not be taken back: {why}"
        if why:
            self._findings.append(Finding(FindingKind.NOT_ACKNOWLEDGED, why, str(account.delivery.root)))

    def _damaged_places(self) -> frozenset[str]:
        damage = [] if self._shelf is None else self._shelf.damage()
        return frozenset(each.place for each in damage if not each.mended)

    # How it stands

    @property
    def _from_medium(self) -> bool:
        return self._shelf is None or self._shelf.all_from_medium

    def outcome(self) -> FileOutcome:
        """Return how things stand now."""
        results, why = tuple(account.result() for account in self._accounts), self._around.stop.why
        stopped = bool(why) and (self._cut_short or not all(result.whole for result in results))
        damage = [] if self._shelf is None else self._shelf.damage()
        in_doubt = bool(self._unseen) or any(not each.mended for each in damage)
        code = exit_code(results, self._failure, self._full, stopped=stopped, in_doubt=in_doubt)
        ended = self._why_ended(why if stopped else "")
        outcome = FileOutcome(
            exit_code=code,
            message=message(
                results,
                code,
                ended,
                from_medium=self._from_medium,
                unseen=len(self._unseen),
                damage=damage,
            ),
            next_step=next_step(code, results, self._failure, self._full),
            archive_folder=self._folder_shown,
            archive=None if self._archive is None else self._archive.mark,
            deliveries=results,
            findings=(*self._unseen, *(each.finding for each in damage), *self._findings),
            readings={} if self._namer is None else dict(self._namer.readings),
            same_fields=() if self._namer is None else tuple(self._namer.sharing_a_field()),
            from_medium=self._from_medium,
            dry_run=self._request.dry_run,
        )
        return replace(outcome, message=planned_message(results, ended)) if self._request.dry_run else outcome

    def _why_ended(self, stopped: str) -> str:
        if self._failure is not None:
            return self._failure.happened
        return self._full[0].happened if self._full else (f"Ended early: {stopped}" if stopped else "")
