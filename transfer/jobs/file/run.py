"""The morning's job on the big computer: nights on drives, or a folder of frames, into every archive."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from manifests.findings import Finding, FindingKind
from transfer.archive.dating import Dating
from transfer.archive.held import OpenArchive, looked_at_archive, read_archive_mark
from transfer.archive.keys import keys_of, share_keys
from transfer.archive.naming import name_sources
from transfer.archive.skies import Skies
from transfer.config import Archive, Config
from transfer.engine.acknowledged import note
from transfer.engine.bag.found_damaged import PATH as FOUND_DAMAGED
from transfer.engine.bag.found_damaged import content_with_damage
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.tag_files import put_tag_file
from transfer.engine.drive import only_run_on
from transfer.engine.drive_key import key_on
from transfer.engine.resting import let_rest
from transfer.engine.surroundings import Surroundings
from transfer.engine.unforeseen import unforeseen
from transfer.errors import ConfigurationError, DriveFailed, NightferryError, NotThere, StoppedEarly
from transfer.jobs.file.acknowledging import as_it_is
from transfer.jobs.file.archive_items import archive_deliveries
from transfer.jobs.file.background import Background
from transfer.jobs.file.carriage import Accounts, Carriage
from transfer.jobs.file.deliveries import PassedOver, Search
from transfer.jobs.file.ending import failed, lines_of_each, whole_exit_code, whole_next_step
from transfer.jobs.file.into import IntoArchive, Opening
from transfer.jobs.file.items import Acknowledgeable, Delivery
from transfer.jobs.file.outcome import Absent, FileOutcome
from transfer.jobs.file.planning import SourceDigests, lack_of_room

WAIT_S = 600.0


@dataclass(frozen=True, slots=True)
class FileRequest:
    """What a person asked for: what to file (else every drive that is connected), where to, and how.

    Without `into`, every archive that the configuration names. With `from_archive`, what that archive has.
    `list_files` keeps what became of each file; `wait_s` is how long to wait for another run's turn to end.
    """

    path: Path | None = None
    dry_run: bool = False
    list_files: bool = False
    new_archive: bool = False
    wait_s: float = WAIT_S
    into: tuple[Archive, ...] = ()
    from_archive: Archive | None = None


class FileRun:
    """One run of `file`. `outcome` can be asked at any time, also while the run hangs on a dead disk."""

    def __init__(self, config: Config, request: FileRequest, around: Surroundings) -> None:
        self._config = config
        self._request = request
        self._around = around
        self._archives: list[IntoArchive] = []
        self._absent: list[Absent] = []
        self._roots: list[Path] = []
        self._findings: list[Finding] = []
        self._unseen: list[Finding] = []
        self._passed_over: list[PassedOver] = []
        self._failure: NightferryError | None = None
        self._source: OpenArchive | None = None

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
            # The index was written last; all disks may be pulled now.
            hanging = [into.configured.folder for into in self._archives if into.destination.hangs]
            accounts = [account for into in self._archives for account in into.accounts]
            roots = [root for root in self._roots if root not in hanging]
            let_rest([*roots, *(account.delivery.root for account in accounts)])
        return self.outcome()

    def _end(self, error: NightferryError) -> None:
        self._failure = self._failure or error

    def _run(self, held: ExitStack) -> None:
        chosen = self._chosen()
        search = Search(
            config=self._config,
            archives=[archive.folder for archive in (*self._config.archives, *chosen)],
            medium=self._around.medium,
            dating=Dating.configured(self._config, self._around),
            held=held,
            listen=self._around.listen,
        )
        if self._request.from_archive is None:
            deliveries = search.deliveries(self._request.path)
        else:
            deliveries = self._of_archive(self._request.from_archive, held)
        self._open(chosen, held)
        if self._request.dry_run:
            self._plan(deliveries)
        else:
            self._carry(deliveries)
        self._passed_over = search.passed_over([into.filing.archive.mark.id for into in self._archives])
        self._unseen += search.findings
        self._findings += search.being_let_go

    # The archives

    def _chosen(self) -> tuple[Archive, ...]:
        chosen, source = self._request.into or self._config.archives, self._request.from_archive
        if source is not None:
            chosen = tuple(archive for archive in chosen if archive.folder != source.folder)
        if source is not None and not chosen:
            step = "Name the one that catches up: nightferry file --from-archive NAME --archive NAME"
            raise ConfigurationError("There is no other archive to file into", self._config.file, step)
        if self._request.new_archive and len(chosen) > 1:
            step = "Name the one to begin: nightferry file --new-archive --archive NAME"
            raise ConfigurationError("Several archives are configured", self._config.file, step)
        if not chosen:
            step = "Name the archive's folder under [archive]."
            raise ConfigurationError("The configuration names no archive", self._config.file, step)
        return chosen

    def _open(self, chosen: tuple[Archive, ...], held: ExitStack) -> None:
        """Open every archive that is here. Raises NightferryError where none is."""
        request, around = self._request, self._around
        names, unreadable = name_sources(self._config)
        self._findings += unreadable
        opening = Opening(
            around=around,
            names=names,
            digests=SourceDigests(around.medium),
            skies=Skies(self._config.site),
            dry_run=request.dry_run,
            begin_anew=request.new_archive,
            wait_s=request.wait_s,
        )
        for archive in chosen:
            self._roots.append(archive.folder)
            try:
                self._require_another(archive)
                self._archives.append(held.enter_context(opening.opened(archive)))
            except StoppedEarly:
                raise
            except NightferryError as error:
                self._absent.append(Absent(archive.label, str(archive.folder), error))
        if not self._archives:
            raise self._absent[0].error

    def _of_archive(self, archive: Archive, held: ExitStack) -> Iterator[Delivery]:
        """Return what another archive has; the archives that are filed into share its keys."""
        self._require_begun(archive)
        self._source = held.enter_context(looked_at_archive(archive.folder, self._around))
        self._roots.append(archive.folder)
        return archive_deliveries(self._source, archive.label)

    def _require_begun(self, archive: Archive) -> None:
        if read_archive_mark(archive.folder) is None:
            step = "Name the archive that has the nights: nightferry file --from-archive NAME"
            raise NotThere("There is no archive in this folder", archive.folder, step)

    def _require_another(self, archive: Archive) -> None:
        """Raise where an archive is one of those that are open already: two names are not two copies."""
        mark = read_archive_mark(archive.folder)
        ids = {one.filing.archive.mark.id: one.configured.label for one in self._archives}
        if self._source is not None:
            ids[self._source.mark.id] = str(self._source.root)
        other = "" if mark is None else ids.get(mark.id, "")
        if not other:
            return
        happened = f"This is the archive {other!r} under another name, or was copied from it with its mark"
        step = (
            "A second archive begins as an empty folder, and fills itself from the first: "
            "nightferry file --from-archive NAME --archive NAME"
        )
        raise ConfigurationError(happened, archive.folder, step)

    # Planning only

    def _plan(self, deliveries: Iterator[Delivery]) -> None:
        needed_bytes = dict.fromkeys(self._archives, 0)
        for delivery in deliveries:
            accounts = self._accounts(delivery)
            for portion in delivery.portions:
                for into, account in accounts.items():
                    plan = into.filing.planner.plan(portion.items)
                    needed_bytes[into] += plan.needed_bytes
                    for planned in plan.carry:
                        account.count_planned(planned)
                    for placed in plan.there:
                        account.count_there(placed, None)
                    account.count_refused([*plan.refusals, *portion.refusals])
                    account.note(portion.findings)
            for account in accounts.values():
                account.count_refused(delivery.refusals)
        for into, size_bytes in needed_bytes.items():
            lack = lack_of_room("What would be filed", size_bytes, into.filing.archive)
            into.full += [] if lack is None else [lack]

    def _accounts(self, delivery: Delivery) -> Accounts:
        return {into: into.begin(delivery, self._request.list_files) for into in self._archives}

    # Carrying

    def _carry(self, deliveries: Iterator[Delivery]) -> None:
        if self._source is not None:
            keys = keys_of(self._source.folder)
            share_keys([into.filing.archive.folder for into in self._archives], keys)
        background = Background()
        carriage = Carriage(self._archives, self._around, background)
        with background:
            for delivery in deliveries:
                if carriage.has_to_end:
                    for into in self._archives:
                        into.cut_short = True
                    break
                carriage.carry(delivery, self._accounts(delivery), self._acknowledge)
        if self._source is not None:
            for into in self._archives:
                into.bring_statements(self._source)
        for into in self._archives:
            into.bring_index_up_to_date(self._config, self._around)

    def _acknowledge(self, accounts: Accounts) -> None:
        """Write each archive's acknowledgement onto the drive, where all of the night is in the archive."""
        bag = next(iter(accounts.values())).delivery.acknowledgeable
        if bag is None:
            return
        here = [into for into in accounts if into.destination.failure is None]
        try:
            # The first archive takes the key from the drive: before that, every one keeps it.
            brought = key_on(bag.folder)
            share_keys([into.filing.archive.folder for into in here], () if brought is None else (brought,))
        except (OSError, NightferryError) as error:
            detail = f"not every archive has the imaging computer's key ({error})"
            self._findings.append(Finding(FindingKind.NOT_ACKNOWLEDGED, detail, str(bag.root)))
        bag = self._say_damaged(bag, accounts)
        for into, account in accounts.items():
            bag = into.acknowledge(account, bag, self._around)
        self._note(next(iter(accounts.values())).delivery.drive_id, bag)

    def _say_damaged(self, bag: Acknowledgeable, accounts: Accounts) -> Acknowledgeable:
        """Say in a night's bag on its drive what is not as listed: the next send carries it again."""
        found = {path: what for account in accounts.values() for path, what in account.damaged.items()}
        wrong = {path.removeprefix(f"{bag.bag}/"): what for path, what in found.items()}
        if not wrong:
            return bag
        around, listed = self._around, ListedBag(bag.folder, bag.bag)
        try:
            with only_run_on(bag.root, around.medium):
                content = content_with_damage(listed, wrong, around.clock())
                if content is not None:
                    put_tag_file(listed, FOUND_DAMAGED, content)
        except (OSError, NightferryError) as error:
            detail = f"it could not be written onto the drive that files there are damaged ({error})"
            self._findings.append(Finding(FindingKind.NOT_ACKNOWLEDGED, detail, str(bag.root)))
        return as_it_is(bag)

    def _note(self, drive_id: str | None, bag: Acknowledgeable) -> None:
        """Keep what was acknowledged with this computer's records: it may be the one that sent the night."""
        around = self._around
        with suppress(OSError, ValueError):
            if drive_id is not None:
                night, listed = date.fromisoformat(bag.bag), ListedBag(bag.folder, bag.bag)
                note(listed, drive_id, night, around.records, around.clock())

    # How it stands

    def outcome(self) -> FileOutcome:
        """Return how things stand now."""
        if self._failure is not None and not any(into.accounts for into in self._archives):
            folders = self._request.into or self._config.archives
            return failed(self._failure, str(folders[0].folder) if folders else "")
        why = self._around.stop.why
        archives = tuple(
            into.outcome(self._unseen, self._failure, why, self._passed_over) for into in self._archives
        )
        findings = [finding for archive in archives for finding in archive.findings]
        namer = self._archives[0].filing.planner.namer if self._archives else None
        return FileOutcome(
            exit_code=whole_exit_code(archives, self._absent),
            message=" ".join(lines_of_each(archives, self._absent)),
            next_step=whole_next_step(archives, self._absent),
            archive_folder=archives[0].folder if archives else "",
            archives=archives,
            absent=tuple(self._absent),
            findings=(
                *(each.finding for each in self._passed_over),
                *self._unseen,
                *findings,
                *self._findings,
            ),
            readings={} if namer is None else dict(namer.readings),
            same_fields=() if namer is None else tuple(namer.sharing_a_field()),
            dry_run=self._request.dry_run,
        )
