"""One archive's part in a run of `file`: opened, filed into, and how it stands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field

from manifests.findings import Finding, FindingKind
from manifests.index.found_bags import bags_of
from transfer.archive.contents import brought_up_to_date, holdings_of
from transfer.archive.held import OpenArchive, archive_failure, held_archive, looked_at_archive
from transfer.archive.logs import read_filed_logs
from transfer.archive.naming import Namer, NameSources
from transfer.archive.recovering import recover
from transfer.archive.shelf import OF_AN_ARCHIVE, Shelf
from transfer.archive.skies import Skies
from transfer.archive.standing import Standing
from transfer.archive.statements import bring_statements
from transfer.config import Archive, Config
from transfer.engine.copy.destination import Destination
from transfer.engine.surroundings import Surroundings
from transfer.errors import DoesNotFit, NightferryError
from transfer.jobs.file.account import Account
from transfer.jobs.file.acknowledging import NotAcknowledged, acknowledge, as_it_is, take_back
from transfer.jobs.file.deliveries import PassedOver
from transfer.jobs.file.ending import drives_passed_over, exit_code, message, next_step, planned_message
from transfer.jobs.file.items import Acknowledgeable, Delivery
from transfer.jobs.file.outcome import ArchiveOutcome
from transfer.jobs.file.planning import Planner, SourceDigests
from transfer.jobs.file.receiving import Filing


@dataclass(frozen=True, slots=True)
class Opening:
    """How the archives of one run are opened; `digests` and `skies` are computed once for all of them."""

    around: Surroundings
    names: NameSources
    digests: SourceDigests
    skies: Skies
    dry_run: bool = False
    begin_anew: bool = False
    wait_s: float = 0.0

    @contextmanager
    def opened(self, archive: Archive) -> Iterator[IntoArchive]:
        """Open an archive, and finish what a dead run left in it. Raises NightferryError."""
        root, around = archive.folder, self.around
        if self.dry_run:
            opening = looked_at_archive(root, around, begin_anew=self.begin_anew)
        else:
            opening = held_archive(root, around, wait_s=self.wait_s, begin_anew=self.begin_anew)
        destination = Destination(root, lambda error: archive_failure(error, root), OF_AN_ARCHIVE)
        with opening as found, ExitStack() as held:
            shelf = Shelf(found, around.clock)
            # A disk that hangs holds the shelf's lock: to wait for it would hold up the other archives.
            held.callback(lambda: None if destination.hangs else shelf.leave())
            findings = [] if self.dry_run else recover(found, shelf)
            shelf.forget()
            holdings = held.enter_context(
                holdings_of(found.folder, may_write=not self.dry_run, on_network=found.on_network)
            )
            planner = Planner(
                Namer(self.names, holdings.in_use()), shelf, holdings, self.digests, found.limits
            )
            filing = Filing(found, shelf, planner, holdings, self.skies)
            yield IntoArchive(archive, filing, destination, self.dry_run, findings)


_LACKS_WORDS = "not all that was said in the other archive could be brought over"


@dataclass(slots=True, eq=False)
class IntoArchive:
    """One archive that a run files into. `full` says what did not fit, `accounts` what came of each delivery.

    `destination` has what ended the work on this archive before its time.
    """

    configured: Archive
    filing: Filing
    destination: Destination
    dry_run: bool
    findings: list[Finding]
    accounts: list[Account] = field(default_factory=list)
    full: list[DoesNotFit] = field(default_factory=list)
    cut_short: bool = False
    has_begun: bool = False
    standing: Standing | None = None
    _lacks_words: bool = False

    def begin(self, delivery: Delivery, listing: bool) -> Account:
        """Return the account of one delivery more."""
        account = Account(delivery, listing)
        self.accounts.append(account)
        return account

    def fail(self, error: OSError | NightferryError) -> None:
        """Record what ends the work on this archive."""
        self.destination.fail(self.destination.explain(error) if isinstance(error, OSError) else error)

    def make_ready(self) -> None:
        """Make the archive ready to take files, once. Raises OSError."""
        if not self.has_begun:
            self.filing.shelf.begin()
            self.has_begun = True

    def keep_proofs(self) -> None:
        """Write down what was read again in bags that nothing was filed into."""
        if self.destination.hangs:
            return
        try:
            self.filing.shelf.keep_proofs()
        except (OSError, NightferryError) as error:
            self.fail(error)

    # The acknowledgement

    def acknowledge(self, account: Account, bag: Acknowledgeable, around: Surroundings) -> Acknowledgeable:
        """Write this archive's acknowledgement into a night's bag, if all of it is in the archive.

        One that covers a file which the archive has no more as it was is taken back from the drive. Return
        the bag as it is then.
        """
        archive, medium, why = self.filing.archive, around.medium, ""
        files = tuple(account.acknowledgeable_files)
        changed = False
        try:
            if account.whole and files:
                if self.standing is None:
                    self.standing = Standing(archive.folder, self.filing.holdings)
                called = self.configured.name or archive.mark.name
                changed = acknowledge(
                    bag, files, archive, called, around.clock(), medium, self.standing, self._damaged()
                )
                account.note_acknowledged()
            elif not self.destination.hangs and take_back(bag, self._damaged(), archive, medium):
                changed = True
                why = "the archive has not all its files as they were: its acknowledgement was taken back"
        except NotAcknowledged as error:
            why = str(error)
            if account.whole:
                account.note_unanswered(why)
            else:
                why = f"its acknowledgement does not hold any more, and could not be taken back: {why}"
        if why:
            self.findings.append(Finding(FindingKind.NOT_ACKNOWLEDGED, why, str(account.delivery.root)))
        return as_it_is(bag) if changed else bag

    def _damaged(self) -> frozenset[str]:
        """Return the places of damaged files, and their contents: a frame may have moved since."""
        left = [each for each in self.filing.shelf.damage() if not each.mended]
        return frozenset(one for each in left for one in (each.place, each.sha256))

    # What is not a file

    def bring_statements(self, source: OpenArchive) -> None:
        """Bring what a person has said in another archive's bags."""
        for bag in bags_of(source.root).bags if self.destination.failure is None else ():
            try:
                bring_statements(source.folder, bag, self.filing.archive)
            except (OSError, NightferryError) as error:
                what = f"what was said of it could not be brought over ({error})"
                self.findings.append(Finding(FindingKind.UNREADABLE, what, str(source.root / bag)))
                self._lacks_words = True

    def bring_index_up_to_date(self, config: Config, around: Surroundings) -> None:
        """Bring the index up to date with what was filed, and read the logs among it."""
        archive = self.filing.archive
        if self.destination.hangs or not any(account.result().filed for account in self.accounts):
            return
        self.findings += brought_up_to_date(archive.folder, on_network=archive.on_network)
        bags, stop = self.filing.shelf.bags_brought_to(), around.stop
        self.findings += read_filed_logs(config, archive, bags, around.clock(), lambda: not stop.why)

    # How it stands

    def outcome(
        self,
        unseen: Sequence[Finding],
        ended: NightferryError | None,
        stopped: str,
        passed_over: Sequence[PassedOver] = (),
    ) -> ArchiveOutcome:
        """Return how things stand.

        `unseen` could not be looked at, and drives were `passed_over`; `ended` is what ended the whole run
        before its time, `stopped` why it has to end.
        """
        results, shelf = tuple(account.result() for account in self.accounts), self.filing.shelf
        failure = self.destination.failure or ended
        cut = bool(stopped) and (self.cut_short or not all(result.whole for result in results))
        damage = [] if self.destination.hangs else shelf.damage()
        in_doubt = bool(unseen or passed_over or self._lacks_words) or any(not each.mended for each in damage)
        code = exit_code(results, failure, self.full, stopped=cut, in_doubt=in_doubt)
        why = failure.happened if failure is not None else self._why_ended(stopped if cut else "")
        why = why or drives_passed_over(passed_over) or (_LACKS_WORDS if self._lacks_words else "")
        told = (
            planned_message(results, why)
            if self.dry_run
            else message(
                results, code, why, from_medium=shelf.all_from_medium, unseen=len(unseen), damage=damage
            )
        )
        in_index = (one for one in dict.fromkeys(self.filing.holdings.findings) if one not in self.findings)
        return ArchiveOutcome(
            name=self.configured.label,
            folder=str(self.configured.folder),
            exit_code=code,
            message=told,
            next_step=next_step(code, results, failure, self.full, passed_over),
            mark=self.filing.archive.mark,
            deliveries=results,
            findings=(*(each.finding for each in damage), *self.findings, *in_index),
            from_medium=shelf.all_from_medium,
        )

    def _why_ended(self, stopped: str) -> str:
        return self.full[0].happened if self.full else (f"Ended early: {stopped}" if stopped else "")
