"""Deliveries carried into the archive: read, compared with their bags, written, proven, and listed.

While a drive is read, what came before is read back from the archive, in a thread of its own; and while
the lists of one bag are written, the next is read. So a drive never waits for the archive's disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from manifests.frames.frame import Frame
from transfer.archive.held import archive_failure
from transfer.archive.shelf import OF_AN_ARCHIVE
from transfer.engine.copy.destination import Destination
from transfer.engine.copy.rounds import Rounds
from transfer.engine.surroundings import Surroundings
from transfer.errors import DoesNotFit, NightferryError
from transfer.events import Phase
from transfer.jobs.file.account import Account
from transfer.jobs.file.background import Background
from transfer.jobs.file.finishing import Finishing, count_there
from transfer.jobs.file.items import Item, Portion, Refusal, not_filed
from transfer.jobs.file.planning import Plan, Planned, lack_of_room
from transfer.jobs.file.receiving import Filing, Receiving


class Carriage:
    """Carries deliveries into one archive, one after the other. `full` says what did not fit."""

    def __init__(self, filing: Filing, around: Surroundings, background: Background) -> None:
        root = filing.archive.root
        self.full: list[DoesNotFit] = []
        self._filing = filing
        self._around = around
        self._background = background
        self._archive = Destination(root, lambda error: archive_failure(error, root), OF_AN_ARCHIVE)
        self._stopped = False
        self._has_begun = False

    @property
    def failure(self) -> NightferryError | None:
        """What ended the whole before its time."""
        return self._archive.failure

    def carry(self, account: Account, at_end: Callable[[Account], None]) -> None:
        """Carry one delivery; `at_end` is called when all that was carried of it is proven and listed.

        What became of files is counted in the background, where it is known last.
        """
        try:
            for portion in account.delivery.portions:
                self._carry_portion(account, portion)
                if self.has_to_end:
                    if account.delivery.below is None:
                        account.note_cut_short()  # a folder may have years more
                    break
        except (OSError, NightferryError) as error:
            account.note_cut_short()
            self._fail(error)
        self._refuse(account, account.delivery.refusals)
        self._background.do(self._keep_proofs)
        self._background.do(lambda: at_end(account))

    def _refuse(self, account: Account, refusals: Iterable[Refusal]) -> None:
        refused = list(refusals)
        self._background.do(lambda: account.count_refused(refused))

    def _fail(self, error: OSError | NightferryError) -> None:
        self._archive.fail(self._archive.explain(error) if isinstance(error, OSError) else error)

    def _fail_with(self, error: OSError | NightferryError, account: Account, left: Iterable[Item]) -> None:
        """End the run for an error; of the files that were on their way none is filed."""
        self._fail(error)
        assert self.failure is not None
        why = self.failure.happened
        self._refuse(account, [not_filed(item.shown, why) for item in left])

    def _carry_portion(self, account: Account, portion: Portion) -> None:
        self._refuse(account, portion.refusals)
        account.note(portion.findings)
        if self.has_to_end:
            why = self.failure.happened if self.failure is not None else self._around.stop.why
            self._refuse(account, (not_filed(item.shown, why) for item in portion.items))
            return
        try:
            plan = self._filing.planner.plan(portion.items)
        except (OSError, NightferryError) as error:
            self._fail_with(error, account, portion.items)
            return
        self._background.do(lambda: count_there(account, self._filing.shelf, plan.there))
        self._refuse(account, plan.refusals)
        try:
            if plan.carry and self._fits(account, plan):
                self._copy(account, plan.carry)
        except (OSError, NightferryError) as error:
            self._fail_with(error, account, (planned.item for planned in plan.carry))

    @property
    def has_to_end(self) -> bool:
        """Whether nothing more may be begun."""
        self._stopped = self._stopped or bool(self._around.stop.why)
        return self._stopped or self.failure is not None

    def _fits(self, account: Account, plan: Plan) -> bool:
        """Check that there is room before the first byte is written."""
        lack = lack_of_room(account.delivery.label, plan.needed_bytes, self._filing.archive)
        if lack is None:
            return True
        self.full.append(lack)
        why = "it does not fit on the archive's disk"
        self._refuse(account, (not_filed(planned.item.shown, why) for planned in plan.carry))
        return False

    def _copy(self, account: Account, carry: Sequence[Planned]) -> None:
        if not self._has_begun:
            self._filing.shelf.begin()
            self._has_begun = True
        frames = [planned.item.frame for planned in carry]
        self._background.do(lambda: self._look_at_skies(frames))
        planned, stop = {each.item.opened: each for each in carry}, self._around.stop
        receiving = Receiving(self._filing, account.delivery, planned, stop, self._prove_behind)
        side = receiving.side(self._archive)
        rounds = Rounds(
            sides=(side,),
            opening=receiving.opening,
            medium=self._around.medium,
            stop=stop,
            listen=self._around.listen,
            phase=Phase.FILING,
            may_go_on=lambda: not self.has_to_end,
        )
        rounds.copy()
        if side.findings:
            account.look_whether_the_drive_left()
        self._background.do(rounds.finish)
        self._background.do(Finishing(receiving, side, account, stop).finish)
        if not self._filing.archive.folder.reads_back_beside_writing:
            self._background.wait()

    def _keep_proofs(self) -> None:
        try:
            self._filing.shelf.keep_proofs()
        except (OSError, NightferryError) as error:
            self._fail(error)

    def _look_at_skies(self, frames: Iterable[Frame | None]) -> None:
        self._filing.skies.look(frames)

    def _prove_behind(self) -> None:
        """Read back what has its name already while the drive is read on, where that proves something."""
        if self._filing.archive.folder.reads_back_beside_writing:
            self._background.do(self._prove)

    def _prove(self) -> None:
        stop = self._around.stop
        try:
            self._filing.shelf.prove(lambda _: None, lambda: not stop.signalled)
        except OSError as error:
            self._fail(error)
