"""Deliveries carried into archives: read once, compared with their bags, written, proven, and listed.

While a drive is read, what came before is read back from the archives, in a thread of its own; and while
the lists of one bag are written, the next is read. So a drive never waits for an archive's disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial

from manifests.frames.frame import Frame
from transfer.archive.shelf import Shelf
from transfer.engine.copy.destination import beside
from transfer.engine.copy.rounds import Opening, Rounds
from transfer.engine.copy.task import Task
from transfer.engine.surroundings import Surroundings
from transfer.errors import NightferryError
from transfer.events import Phase
from transfer.jobs.file.account import Account
from transfer.jobs.file.background import Background
from transfer.jobs.file.finishing import Finishing, count_there
from transfer.jobs.file.into import IntoArchive
from transfer.jobs.file.items import Delivery, Portion, Refusal, not_filed
from transfer.jobs.file.planning import Plan, Planned, lack_of_room
from transfer.jobs.file.receiving import Filing, Receiving
from transfer.stop import Stop

# When the run has to end, how long writing the lists of a portion may take before a disk is taken to hang.
_LISTS_PATIENCE_S = 45.0

Accounts = Mapping[IntoArchive, Account]


class Carriage:
    """Carries deliveries into archives, one after the other; one that fails leaves the others alone."""

    def __init__(self, archives: Sequence[IntoArchive], around: Surroundings, background: Background) -> None:
        self._archives = archives
        self._around = around
        self._background = background
        self._stopped = False

    def carry(self, delivery: Delivery, accounts: Accounts, at_end: Callable[[Accounts], None]) -> None:
        """Carry one delivery; `at_end` is called when all that was carried of it is proven and listed.

        What became of files is counted in the background, where it is known last.
        """
        try:
            for portion in delivery.portions:
                self._carry_portion(accounts, portion)
                if self.has_to_end:
                    if delivery.below is None:
                        _note_cut_short(accounts)  # a folder may have years more
                    break
        except (OSError, NightferryError) as error:
            _note_cut_short(accounts)
            for into in accounts:
                into.fail(error)
        for account in accounts.values():
            self._refuse(account, delivery.refusals)
        for into in accounts:
            self._background.do(into.keep_proofs)
        self._background.do(lambda: at_end(accounts))

    def _refuse(self, account: Account, refusals: Iterable[Refusal]) -> None:
        refused = list(refusals)
        self._background.do(lambda: account.count_refused(refused))

    @property
    def has_to_end(self) -> bool:
        """Whether nothing more may be begun."""
        self._stopped = self._stopped or bool(self._around.stop.why)
        return self._stopped or all(into.destination.failure is not None for into in self._archives)

    def _carry_portion(self, accounts: Accounts, portion: Portion) -> None:
        carry: dict[IntoArchive, tuple[Planned, ...]] = {}
        for into, account in accounts.items():
            self._refuse(account, portion.refusals)
            account.note(portion.findings)
            plan = self._planned(into, account, portion)
            if plan is not None and plan.carry and self._fits(into, account, plan):
                carry[into] = plan.carry
        if not carry:
            return
        try:
            self._copy(accounts, carry)
        except (OSError, NightferryError) as error:
            for into, planned in carry.items():
                into.fail(error)
                self._refuse_all(into, accounts[into], (each.item.shown for each in planned))

    def _refuse_all(self, into: IntoArchive, account: Account, shown: Iterable[str]) -> None:
        """Refuse files that were on their way to an archive when its work ended, or that of the whole run."""
        failure = into.destination.failure
        why = self._around.stop.why if failure is None else failure.happened
        self._refuse(account, [not_filed(each, why) for each in shown])

    def _planned(self, into: IntoArchive, account: Account, portion: Portion) -> Plan | None:
        """Plan a portion for one archive; None where its work has ended."""
        filing = into.filing
        try:
            plan = None if self.has_to_end or into.destination.failure else filing.planner.plan(portion.items)
        except (OSError, NightferryError) as error:
            into.fail(error)
            plan = None
        if plan is None:
            self._refuse_all(into, account, (item.shown for item in portion.items))
            return None
        there = plan.there
        self._background.do(lambda: count_there(account, filing.shelf, there))
        self._refuse(account, plan.refusals)
        return plan

    def _fits(self, into: IntoArchive, account: Account, plan: Plan) -> bool:
        """Check that there is room before the first byte is written, and make the archive ready."""
        try:
            lack = lack_of_room(account.delivery.label, plan.needed_bytes, into.filing.archive)
            if lack is None:
                into.make_ready()
                return True
        except (OSError, NightferryError) as error:
            into.fail(error)
            self._refuse_all(into, account, (planned.item.shown for planned in plan.carry))
            return False
        into.full.append(lack)
        why = "it does not fit on the archive's disk"
        self._refuse(account, (not_filed(planned.item.shown, why) for planned in plan.carry))
        return False

    def _copy(self, accounts: Accounts, carry: Mapping[IntoArchive, Sequence[Planned]]) -> None:
        frames = {each.item.frame: None for planned in carry.values() for each in planned}
        filings, stop = [into.filing for into in carry], self._around.stop
        self._background.do(lambda: _look_at_skies(filings[0], frames))
        finishings = [self._finishing(into, accounts[into], planned) for into, planned in carry.items()]
        rounds = Rounds(
            sides=tuple(each.side for each in finishings),
            opening=_Openings(finishings),
            medium=self._around.medium,
            stop=stop,
            listen=self._around.listen,
            phase=Phase.FILING,
            may_go_on=lambda: not self.has_to_end,
        )
        rounds.copy()
        for each in finishings:
            if each.side.findings:
                each.account.look_whether_the_drive_left()
        self._background.do(rounds.finish)
        self._background.do(lambda: self._finish(finishings))
        if not all(filing.archive.folder.reads_back_beside_writing for filing in filings):
            self._background.wait()

    def _finishing(self, into: IntoArchive, account: Account, carry: Sequence[Planned]) -> Finishing:
        planned = {each.item.opened: each for each in carry}
        receiving = Receiving(into.filing, account.delivery, planned, self._around.stop, self._prove_behind)
        apart = f", into {into.configured.label}" if len(self._archives) > 1 else ""
        side = receiving.side(into.destination, f"{account.delivery.label}{apart}")
        return Finishing(receiving, side, account, self._around.stop)

    def _finish(self, finishings: Sequence[Finishing]) -> None:
        """Bring the portion to its end in each archive, those on other disks at the same time."""
        failed = [each for each in finishings if each.side.destination.failure is not None]
        acts = {each.side.destination: each.finish for each in finishings}
        beside(acts, self._around.stop, _LISTS_PATIENCE_S)
        for each in finishings:
            if each in failed:
                each.finish()
            elif each.side.destination.hangs:
                each.account.note_cut_short()

    def _prove_behind(self) -> None:
        """Read back what has its name already while the drive is read on, where that proves something."""
        self._background.do(self._prove)

    def _prove(self) -> None:
        stop = self._around.stop
        shelves = {
            into.destination: into.filing.shelf
            for into in self._archives
            if into.filing.archive.folder.reads_back_beside_writing
        }
        beside({place: partial(_prove_on, shelf, stop) for place, shelf in shelves.items()}, stop)


class _Openings:
    """How each file is opened, whichever archives it is for."""

    def __init__(self, finishings: Sequence[Finishing]) -> None:
        self._receiving_of = {
            opened: each.receiving for each in finishings for opened in each.receiving.planned
        }

    def __call__(self, task: Task) -> Opening:
        return self._receiving_of[task.path].opening(task)


def _prove_on(shelf: Shelf, stop: Stop) -> None:
    shelf.prove(lambda _: None, lambda: not stop.signalled)


def _look_at_skies(filing: Filing, frames: Iterable[Frame | None]) -> None:
    filing.skies.look(frames)


def _note_cut_short(accounts: Accounts) -> None:
    for account in accounts.values():
        account.note_cut_short()
