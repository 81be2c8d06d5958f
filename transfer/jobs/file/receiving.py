"""Files as they come from a drive: flushed, compared with their bag, given their places, and proven."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from manifests.bags.builder import Content
from transfer.archive.contents import Holdings
from transfer.archive.held import OpenArchive
from transfer.archive.shelf import Shelf
from transfer.archive.skies import Skies
from transfer.engine.bag.open import Arrival
from transfer.engine.copy.batch import Batch, Written, flush
from transfer.engine.copy.destination import Destination
from transfer.engine.copy.rounds import Again, Opening, Side
from transfer.engine.copy.task import Task
from transfer.engine.medium import PinnedFolder
from transfer.jobs.file.items import Delivery, Refusal, not_filed
from transfer.jobs.file.planning import InArchive, Planned, Planner
from transfer.jobs.file.sorting import Sorting
from transfer.stop import Stop

# Little enough that what is left to be read back when the drive has been read takes no time.
_BATCH_BYTES = 96 << 20
# So much is read back even when the run has to end: it takes seconds, and leaves bags that are finished.
_PROVEN_IN_ANY_CASE_BYTES = 1 << 30
_DID_NOT_MATCH = "its copy in the archive did not match, three times"


@dataclass(frozen=True, slots=True)
class Filing:
    """An archive that is filed into, with what decides where each file goes in it."""

    archive: OpenArchive
    shelf: Shelf
    planner: Planner
    holdings: Holdings
    skies: Skies


@dataclass(slots=True)
class Receiving:
    """Takes what a lane writes of some files of one delivery. Its methods raise OSError and NightferryError.

    `planned` are the files by their paths on the drive. `on_settled` is called each time that some of them
    are whole and named. `placed` are those that stand under their names, by their places in the archive,
    `there` those whose content was there already, `refusals` those that are not filed.
    """

    filing: Filing
    delivery: Delivery
    planned: Mapping[str, Planned]
    stop: Stop
    on_settled: Callable[[], None]
    placed: dict[str, InArchive] = field(default_factory=dict, init=False)
    there: list[InArchive] = field(default_factory=list, init=False)
    refusals: list[Refusal] = field(default_factory=list, init=False)
    _grown: list[tuple[str, Arrival]] = field(default_factory=list, init=False)
    _again: set[str] = field(default_factory=set, init=False)
    _places: dict[str, InArchive] = field(default_factory=dict, init=False)

    @property
    def folder(self) -> PinnedFolder:
        """The archive's pinned folder."""
        return self.filing.shelf.folder

    def new_part(self) -> str:
        """Return a path for a file that has no name yet."""
        return self.filing.shelf.new_part()

    # Taking files

    def settle(self, batch: Batch) -> None:
        """Flush a batch, and give each file its place in its bag; what is not filed is removed."""
        filing, shelf = self.filing, self.filing.shelf
        for written in batch.files:
            self.folder.set_modified(written.descriptor, self._planned(written).item.file.modified_ns)
        flush(batch, self.folder)
        read = [(self._planned(written), written, written.content.result()) for written in batch.files]
        skies = filing.skies.look(planned.item.frame for planned, _, _ in read)
        known = filing.holdings.of(_not_asked_about(read))
        with shelf.holding():
            drive_id = self.delivery.drive_id
            sorting = Sorting(shelf, filing.planner, skies, known, drive_id, self._places, self._again)
            for planned, written, content in read:
                sorting.sort(planned, written, content)
            # A batch that fails from here on comes again, and its files then have the places that they got.
            self._places |= {placed.planned.item.opened: placed for placed in sorting.placed.values()}
            for bag, arrivals in sorting.coming.items():
                sorting.refuse_names(bag, shelf.take(bag, arrivals))
        for part in sorting.dropped:
            self.folder.remove(part)
        self.placed |= sorting.placed
        self._grown += sorting.grown
        self.there += sorting.there
        self.refusals += sorting.refusals
        self.on_settled()

    def _planned(self, written: Written) -> Planned:
        return self.planned[written.task.path]

    def _take_grown(self) -> None:
        """Rename files that replace an older part to their own names; that part leaves its manifest first.

        They wait in their parts until no other file is on its way.
        """
        shelf = self.filing.shelf
        grown, self._grown = self._grown, []
        for bag, arrival in grown:
            if shelf.is_damaged(bag, arrival.entry.path):
                shelf.set_aside_what_is_left(bag, arrival.entry.path)
            for reason in shelf.take(bag, [arrival]).values():
                planned = self.placed.pop(f"{bag}/{arrival.entry.path}").planned
                self.refusals.append(not_filed(planned.item.shown, reason))

    # Proving

    @property
    def bags(self) -> list[str]:
        """The bags that files have come into."""
        return sorted({placed.bag for placed in self.placed.values()})

    @property
    def has_unproven(self) -> bool:
        """Whether something in one of these bags has not been read back yet."""
        return any(self.filing.shelf.unproven_in(bag) - self.filing.shelf.bad_in(bag) for bag in self.bags)

    def prove(self) -> list[Again]:
        """Read back what was taken and is not proven; return what has to be carried again.

        One bad copy has everything that is not listed yet read back once more.
        """
        self._take_grown()
        shelf = self.filing.shelf
        little = shelf.unproven_bytes() <= _PROVEN_IN_ANY_CASE_BYTES
        shelf.prove(_uncounted, lambda: little or not self.stop.signalled)
        bad = self._bad()
        if bad:
            shelf.doubt()
        self._again |= {placed.planned.item.opened for placed in bad}
        return [Again(_task(placed.planned), _DID_NOT_MATCH) for placed in bad]

    def leave_bad_out(self, todo: Mapping[str, Task]) -> None:
        """Take copies that stayed bad out of their bags; `todo` are the files that still lie on the drive."""
        for placed in self._bad():
            on_the_drive = placed.planned.item.opened in todo
            self.filing.shelf.give_up(placed.bag, placed.path, source_is_there=on_the_drive)

    def _bad(self) -> list[InArchive]:
        """Return the files whose copies are not what was written."""
        shelf = self.filing.shelf
        places = (f"{bag}/{path}" for bag in self.bags for path in sorted(shelf.bad_in(bag)))
        return [self.placed[place] for place in places if place in self.placed]

    # For the rounds of the copy

    def side(self, destination: Destination, label: str = "") -> Side:
        """Return this archive's side of the rounds; progress is reported under its `label`."""
        todo = {opened: _task(planned) for opened, planned in self.planned.items()}
        return Side(destination, self, label or self.delivery.label, todo, _BATCH_BYTES)

    def opening(self, task: Task) -> Opening:
        """Return how a file of the delivery is opened, and which further digests it needs."""
        return Opening(task.path, self.delivery.below, self.planned[task.path].item.others())


def _task(planned: Planned) -> Task:
    return Task(planned.item.file, planned.item.night, planned.item.opened)


def _not_asked_about(read: Iterable[tuple[Planned, Written, Content]]) -> list[str]:
    """Return the contents that the index was not asked about before they were read."""
    return [content.digests.sha256 for planned, _, content in read if planned.item.sha256 is None]


def _uncounted(count: int) -> None:
    """Count nothing: progress is what is read from the drive."""
