"""Files as they come from a drive, whole: flushed, held against their bag, and given their places."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from manifests.bags.builder import Content
from transfer.archive.contents import Holdings
from transfer.archive.shelf import Shelf
from transfer.engine.bag.open import Arrival
from transfer.engine.copy.batch import Batch, Written, flush
from transfer.engine.medium import PinnedFolder
from transfer.jobs.file.items import Delivery, Refusal
from transfer.jobs.file.planning import Planned, Planner, There
from transfer.jobs.file.skies import Skies
from transfer.jobs.file.sorting import Sorting


@dataclass(slots=True)
class Portion:
    """Some files of one delivery on their way, by their paths on the drive, and what became of them.

    `arrived` stand under their names, or are about to, and are to be proven; `grown` take the place of
    their older part, which leaves its manifest first: they wait in their parts until the others are in.
    """

    delivery: Delivery
    planned: Mapping[str, Planned]
    arrived: dict[str, Planned] = field(default_factory=dict)
    grown: list[tuple[str, Arrival]] = field(default_factory=list)
    there: list[There] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)

    @property
    def bags(self) -> list[str]:
        """The bags that files have come into."""
        return sorted({planned.bag for planned in self.arrived.values()})

    def keep(self, done: Sorting) -> None:
        """Keep what became of a batch."""
        self.arrived |= done.arrived
        self.grown += done.grown
        self.there += done.there
        self.refusals += done.refusals


@dataclass(frozen=True, slots=True)
class Receiving:
    """Takes what a lane writes for one portion. Its methods raise OSError and NightferryError."""

    portion: Portion
    shelf: Shelf
    planner: Planner
    holdings: Holdings
    skies: Skies
    on_settled: Callable[[], None]

    @property
    def folder(self) -> PinnedFolder:
        """The archive."""
        return self.shelf.folder

    def new_part(self) -> str:
        """Return a path for a file that has no name yet."""
        return self.shelf.new_part()

    def settle(self, batch: Batch) -> None:
        """Flush a batch, and give each file its place in its bag; what is not to be filed is removed."""
        for written in batch.files:
            self.folder.set_modified(written.descriptor, self._planned(written).item.file.modified_ns)
        flush(batch, self.folder)
        read = [(self._planned(written), written, written.content.result()) for written in batch.files]
        skies = self.skies.look(planned.item.frame for planned, _, _ in read)
        found = self.holdings.of(_unvouched(read))
        with self.shelf.holding():
            drive_id = self.portion.delivery.drive_id
            sorting = Sorting(self.shelf, self.planner, skies, found, drive_id)
            for planned, written, content in read:
                sorting.sort(planned, written, content)
            for bag, arrivals in sorting.coming.items():
                sorting.refuse_names(bag, self.shelf.take(bag, arrivals))
        for part in sorting.dropped:
            self.folder.remove(part)
        self.portion.keep(sorting)
        self.on_settled()

    def _planned(self, written: Written) -> Planned:
        return self.portion.planned[written.task.path]


def _unvouched(read: list[tuple[Planned, Written, Content]]) -> list[str]:
    """Return the contents that the archive was not asked about before they were read."""
    return [content.digests.sha256 for planned, _, content in read if planned.item.sha256 is None]
