"""The end of a portion: what came is proven, what is bad is carried again or left out, lists are written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from manifests.findings import Finding, FindingKind
from transfer.archive.held import OpenArchive, archive_failure
from transfer.archive.layout import bag_of
from transfer.archive.shelf import Shelf
from transfer.errors import DriveFailed, NightferryError
from transfer.jobs.file.account import Account
from transfer.jobs.file.copying import Copied, Copying
from transfer.jobs.file.items import Refusal, not_filed
from transfer.jobs.file.planning import Planned, There
from transfer.jobs.file.receiving import Portion

# A copy that does not match is written again from the drive, twice at most.
_ROUNDS = 3
# So much is read back even when the run has to end: it takes seconds, and leaves bags that are finished.
_PROVEN_IN_ANY_CASE_BYTES = 1 << 30
_UNLISTED = "it was written, and is not in its bag's manifest"
_WRITTEN_AGAIN = Finding(
    FindingKind.WRITTEN_AGAIN, "the archive's disk did not give back what was written: look at it"
)


@dataclass(slots=True)
class Finishing:
    """Brings one portion to its end. `failure` is what the whole run has to end for."""

    archive: OpenArchive
    copying: Copying
    account: Account
    portion: Portion
    failure: NightferryError | None = None
    _trouble: str = ""
    _todo: dict[str, Planned] = field(default_factory=dict)
    _refused: dict[str, Refusal] = field(default_factory=dict)
    _unlisted: dict[str, str] = field(default_factory=dict)

    def finish(self, copied: Copied) -> None:
        """Wait for the lane, prove, write the lists, and count what became of each file."""
        try:
            self._end_lane(copied)
            self._take_grown()
            self._prove()
            for _ in range(_ROUNDS - 1):
                if not self._todo or self._has_to_end:
                    break
                again, self._todo = list(self._todo.values()), {}
                self._end_lane(self.copying.copy(self.portion, again, _nothing, lambda: not self._has_to_end))
                self._take_grown()
                self._prove()
            self._leave_bad_out()
        except OSError as error:
            self._fail(archive_failure(error, self.archive.root))
        except NightferryError as error:
            self._fail(error)
        waiting = {bag_of(each.to) for each in self.portion.there if self.copying.shelf.waits(each.to)}
        for bag in sorted({*self.portion.bags, *waiting}):
            self._publish(bag)
        self._count()

    @property
    def _has_to_end(self) -> bool:
        return self.copying.around.stop.signalled or self.failure is not None

    def _fail(self, error: NightferryError) -> None:
        self.failure = self.failure or error

    # What the lane leaves

    def _end_lane(self, copied: Copied) -> None:
        lane = copied.lane
        lane.finish()
        self._trouble = f"writing it failed ({lane.trouble})" if lane.trouble else self._trouble
        for planned, failed in copied.failed_files(self.portion):
            self._refuse(planned, failed.finding)
        for task in lane.voided:
            self._todo[task.path] = self.portion.planned[task.path]
        for task, finding in lane.refused:
            self._refuse(self.portion.planned[task.path], finding)
        for planned in copied.left:
            self._todo[planned.item.opened] = planned
        if lane.hangs:
            step = "Look at its disk and its connection, then file again."
            self._fail(DriveFailed("The archive does not answer", self.archive.root, step))
        elif lane.failure is not None:
            self._fail(lane.failure)

    def _refuse(self, planned: Planned, finding: Finding) -> None:
        shown = planned.item.shown
        self._refused[planned.item.opened] = Refusal(shown, Finding(finding.kind, finding.detail, shown))

    def _take_grown(self) -> None:
        """Name the files that take the place of their older part, now that no other is on its way."""
        shelf = self.copying.shelf
        grown, self.portion.grown = self.portion.grown, []
        for bag, arrival in grown:
            if shelf.listed(bag).has_lost(arrival.entry.path, arrival.entry.digests.sha256):
                shelf.set_aside_what_is_left(bag, arrival.entry.path)
            for reason in shelf.take(bag, [arrival]).values():
                planned = self.portion.arrived.pop(f"{bag}/{arrival.entry.path}")
                self.portion.refusals.append(not_filed(planned.item.shown, reason))

    # Proving

    def _prove(self) -> None:
        shelf, stop = self.copying.shelf, self.copying.around.stop
        little = shelf.unproven_bytes() <= _PROVEN_IN_ANY_CASE_BYTES
        shelf.prove(_uncounted, lambda: little or not stop.signalled)
        bad = self._bad()
        for place in bad:
            planned = self.portion.arrived[place]
            planned.findings += (_WRITTEN_AGAIN,)
            self._todo[planned.item.opened] = planned
        if bad:
            # One bad copy has everything that is not listed yet read back once more.
            shelf.doubt()

    def _bad(self) -> list[str]:
        """Return the places of this portion's files whose copies are not what was written."""
        shelf = self.copying.shelf
        places = (f"{bag}/{path}" for bag in self.portion.bags for path in sorted(shelf.bad_in(bag)))
        return [place for place in places if place in self.portion.arrived]

    def _leave_bad_out(self) -> None:
        """Take copies that stayed bad out of their bags, and prove once more what stands beside them."""
        shelf = self.copying.shelf
        for place in self._bad():
            planned = self.portion.arrived[place]
            shelf.give_up(planned.bag, planned.claimed, source_is_there=True)
            self._todo[planned.item.opened] = planned
        if not self._has_to_end:
            shelf.prove(_uncounted, lambda: not self._has_to_end)

    # Lists

    def _publish(self, bag: str) -> None:
        """Write a bag's lists; one that can't be written keeps its journal, and the next run goes on."""
        shelf = self.copying.shelf
        unproven = shelf.unproven_in(bag) | shelf.bad_in(bag)
        for path in unproven:
            self._unlisted[f"{bag}/{path}"] = "it was written, and not read back"
        try:
            shelf.publish(bag)
        except (OSError, NightferryError) as error:
            failure = archive_failure(error, self.archive.root) if isinstance(error, OSError) else error
            self._fail(failure)
            for place, planned in self.portion.arrived.items():
                if planned.bag == bag:
                    self._unlisted[place] = f"the list of its bag could not be written: {failure.happened}"

    # What became of the files

    def _count(self) -> None:
        account, portion = self.account, self.portion
        count_there(account, self.copying.shelf, portion.there)
        account.take_all_refused([*portion.refusals, *self._refused.values()])
        left = (planned for opened, planned in self._todo.items() if opened not in self._refused)
        account.take_all_refused(not_filed(planned.item.shown, self._why_left) for planned in left)
        for place, planned in portion.arrived.items():
            if planned.item.opened in self._todo or planned.item.opened in self._refused:
                continue
            if self.copying.shelf.is_listed(place):
                account.take_filed(planned)
            else:
                account.take_all_refused([not_filed(planned.item.shown, self._why_unlisted(place))])

    def _why_unlisted(self, place: str) -> str:
        return self._unlisted.get(place) or (self.failure.happened if self.failure else _UNLISTED)

    @property
    def _why_left(self) -> str:
        if self.failure is not None:
            return self.failure.happened
        why = self.copying.around.stop.why or self._trouble
        return why or "its copy in the archive did not match, three times"


def count_there(account: Account, shelf: Shelf, there: Iterable[There]) -> None:
    """Count files whose content was there before them: one that this run brought counts once it is listed."""
    for each in there:
        if shelf.waits(each.to):
            account.take_all_refused([not_filed(each.planned.item.shown, _UNLISTED)])
        else:
            account.take_all_there([each])


def _nothing() -> None:
    """Have nothing done when files have settled: they are proven all at once."""


def _uncounted(count: int) -> None:
    """Count nothing: progress is told by what is read from the drive."""
