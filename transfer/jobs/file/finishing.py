"""The end of a portion: what came is proven, what is bad is carried again or left out, lists are written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from manifests.findings import Finding
from transfer.archive.held import archive_failure
from transfer.archive.layout import bag_of
from transfer.archive.shelf import Shelf
from transfer.errors import DriveFailed, NightferryError
from transfer.jobs.file.account import Account
from transfer.jobs.file.copying import FilesRead, copy
from transfer.jobs.file.items import Refusal, not_filed
from transfer.jobs.file.planning import Placed, Planned
from transfer.jobs.file.receiving import Receiving
from transfer.surroundings import Surroundings

# A copy that does not match is written again from the drive, twice at most.
_ROUNDS = 3
# So much is read back even when the run has to end: it takes seconds, and leaves bags that are finished.
_PROVEN_IN_ANY_CASE_BYTES = 1 << 30
_UNLISTED = "it was written, and is not in its bag's manifest"


@dataclass(slots=True)
class Finishing:
    """Brings one portion to its end. `failure` is what the whole run has to end for."""

    receiving: Receiving
    account: Account
    around: Surroundings
    failure: NightferryError | None = None
    _trouble: str = ""
    _todo: dict[str, Planned] = field(default_factory=dict)
    _refused: dict[str, Refusal] = field(default_factory=dict)
    _unlisted: dict[str, str] = field(default_factory=dict)

    def finish(self, read: FilesRead) -> None:
        """Wait for the lane, prove, write the lists, and count what became of each file."""
        try:
            self._end_lane(read)
            self._prove()
            for _ in range(_ROUNDS - 1):
                if not self._todo or self._has_to_end:
                    break
                again, self._todo = list(self._todo.values()), {}
                self._end_lane(copy(self.receiving, again, self.around, lambda: not self._has_to_end))
                self._prove()
            self._leave_bad_out()
        except OSError as error:
            self._fail(archive_failure(error, self.receiving.filing.archive.root))
        except NightferryError as error:
            self._fail(error)
        shelf = self.receiving.filing.shelf
        waiting = {bag_of(each.to) for each in self.receiving.there if shelf.waits(each.to)}
        for bag in sorted({*self.receiving.bags, *waiting}):
            self._publish(bag)
        self._count()

    @property
    def _has_to_end(self) -> bool:
        return self.around.stop.signalled or self.failure is not None

    def _fail(self, error: NightferryError) -> None:
        self.failure = self.failure or error

    def _end_lane(self, read: FilesRead) -> None:
        lane, planned = read.lane, self.receiving.planned
        lane.finish()
        self._trouble = f"writing it failed ({lane.trouble})" if lane.trouble else self._trouble
        for each, failed in read.failed:
            self._refuse(each, failed.finding)
        self._carry_again(planned[task.path] for task in lane.voided)
        for task, finding in lane.refused:
            self._refuse(planned[task.path], finding)
        self._carry_again(read.left)
        if lane.hangs:
            step = "Look at its disk and its connection, then file again."
            root = self.receiving.filing.archive.root
            self._fail(DriveFailed("The archive does not answer", root, step))
        elif lane.failure is not None:
            self._fail(lane.failure)

    def _refuse(self, planned: Planned, finding: Finding) -> None:
        shown = planned.item.shown
        self._refused[planned.item.opened] = Refusal(shown, Finding(finding.kind, finding.detail, shown))

    def _carry_again(self, files: Iterable[Planned]) -> None:
        self._todo |= {planned.item.opened: planned for planned in files}

    def _prove(self) -> None:
        shelf, stop = self.receiving.filing.shelf, self.around.stop
        little = shelf.unproven_bytes() <= _PROVEN_IN_ANY_CASE_BYTES
        self._carry_again(self.receiving.prove(lambda: little or not stop.signalled))

    def _leave_bad_out(self) -> None:
        """Take copies that stayed bad out of their bags, and prove once more what stands beside them."""
        self._carry_again(self.receiving.leave_bad_out())
        if not self._has_to_end:
            self.receiving.prove(lambda: not self._has_to_end)

    # Lists

    def _publish(self, bag: str) -> None:
        """Write a bag's lists; one that can't be written keeps its journal, and the next run goes on."""
        shelf = self.receiving.filing.shelf
        for path in shelf.unproven_in(bag) | shelf.bad_in(bag):
            self._unlisted[f"{bag}/{path}"] = "it was written, and not read back"
        try:
            shelf.publish(bag)
        except (OSError, NightferryError) as error:
            root = self.receiving.filing.archive.root
            failure = archive_failure(error, root) if isinstance(error, OSError) else error
            self._fail(failure)
            why = f"the list of its bag could not be written: {failure.happened}"
            self._unlisted |= {to: why for to, placed in self.receiving.placed.items() if placed.bag == bag}

    # What became of the files

    def _count(self) -> None:
        account, receiving = self.account, self.receiving
        count_there(account, receiving.filing.shelf, receiving.there)
        account.count_refused([*receiving.refusals, *self._refused.values()])
        left = (planned for opened, planned in self._todo.items() if opened not in self._refused)
        account.count_refused(not_filed(planned.item.shown, self._why_left) for planned in left)
        for place, placed in receiving.placed.items():
            if placed.planned.item.opened in self._todo or placed.planned.item.opened in self._refused:
                continue
            if receiving.filing.shelf.is_listed(place):
                account.count_filed(placed)
            else:
                why = self._why_unlisted(place)
                account.count_refused([not_filed(placed.planned.item.shown, why)])

    def _why_unlisted(self, place: str) -> str:
        return self._unlisted.get(place) or (self.failure.happened if self.failure else _UNLISTED)

    @property
    def _why_left(self) -> str:
        if self.failure is not None:
            return self.failure.happened
        why = self.around.stop.why or self._trouble
        return why or "its copy in the archive did not match, three times"


def count_there(account: Account, shelf: Shelf, there: Iterable[Placed]) -> None:
    """Count files whose content was there before them: one that this run brought counts once it is listed."""
    for each in there:
        if shelf.waits(each.to):
            account.count_refused([not_filed(each.planned.item.shown, _UNLISTED)])
        else:
            account.count_there(each)
