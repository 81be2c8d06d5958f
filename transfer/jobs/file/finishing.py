"""The end of a portion: the lists of its bags are written, and what became of each file is counted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from manifests.findings import Finding
from transfer.archive.held import archive_failure
from transfer.archive.layout import bag_of
from transfer.archive.shelf import Shelf
from transfer.engine.copy.rounds import Side
from transfer.errors import NightferryError
from transfer.jobs.file.account import Account
from transfer.jobs.file.items import Refusal, not_filed
from transfer.jobs.file.planning import InArchive
from transfer.jobs.file.receiving import Receiving
from transfer.stop import Stop

_UNLISTED = "it was written, and is not in its bag's manifest"


@dataclass(frozen=True, slots=True)
class Finishing:
    """Brings one portion to its end, in one archive, once its rounds are over."""

    receiving: Receiving
    side: Side
    account: Account
    stop: Stop
    _unlisted: dict[str, str] = field(default_factory=dict)

    def finish(self) -> None:
        """Write the lists, and count what became of each file. What fails ends the work on this archive."""
        if self.side.destination.hangs:
            self._count_unknown()  # a disk that hangs may hold the shelf's lock
            return
        self.side.destination.fail(self.side.full)
        shelf = self.receiving.filing.shelf
        waiting = {bag_of(each.to) for each in self.receiving.there if shelf.waits(each.to)}
        for bag in sorted({*self.receiving.bags, *waiting}):
            self._publish(bag)
        self._count()

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
            self.side.destination.fail(failure)
            why = f"the list of its bag could not be written: {failure.happened}"
            self._unlisted.update(
                {to: why for to, placed in self.receiving.placed.items() if placed.bag == bag}
            )

    # What became of the files

    def _count_unknown(self) -> None:
        items = [planned.item for planned in self.receiving.planned.values()]
        self.account.count_refused(not_filed(item.shown, self._failed) for item in items)

    def _count(self) -> None:
        account, receiving = self.account, self.receiving
        count_there(account, receiving.filing.shelf, receiving.there)
        refused = {task.path: self._refusal(task.path, finding) for task, finding in self.side.findings}
        left = [receiving.planned[path] for path in self.side.todo if path not in refused]
        account.count_refused([*receiving.refusals, *refused.values()])
        account.count_refused(not_filed(each.item.shown, self._why_left(each.item.opened)) for each in left)
        for place, placed in receiving.placed.items():
            item = placed.planned.item
            if item.opened in self.side.todo or item.opened in refused:
                continue
            if receiving.filing.shelf.is_listed(place):
                account.count_filed(placed, receiving.filing.shelf.read_back_utc(placed.bag, placed.path))
            else:
                account.count_refused([not_filed(item.shown, self._why_unlisted(place))])

    def _refusal(self, opened: str, finding: Finding) -> Refusal:
        shown = self.receiving.planned[opened].item.shown
        return Refusal(shown, Finding(finding.kind, finding.detail, shown))

    def _why_unlisted(self, place: str) -> str:
        return self._unlisted.get(place) or self._failed or _UNLISTED

    def _why_left(self, opened: str) -> str:
        return self._failed or self.stop.why or self.side.reasons.get(opened, "it was not carried")

    @property
    def _failed(self) -> str:
        failure = self.side.destination.failure
        return "" if failure is None else failure.happened


def count_there(account: Account, shelf: Shelf, there: Iterable[InArchive]) -> None:
    """Count files whose content was there before them: one that this run brought counts once it is listed."""
    for each in there:
        if shelf.waits(each.to):
            account.count_refused([not_filed(each.planned.item.shown, _UNLISTED)])
        else:
            account.count_there(each, shelf.read_back_utc(each.bag, each.path))
