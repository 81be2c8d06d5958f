"""One night carried to its drives: copied, read back, carried again where it does not match, published."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from manifests.bags.entries import Entry
from manifests.bags.summary import Summary
from manifests.findings import Finding, FindingKind
from transfer.engine.bag import found_damaged
from transfer.engine.bag.listed import ListedBag
from transfer.engine.bag.open import OpenBag, remove_leftovers
from transfer.engine.copy.destination import Destination, beside
from transfer.engine.copy.lane import BATCH_BYTES
from transfer.engine.copy.rounds import Opening, Rounds, Side
from transfer.engine.drive import drive_left
from transfer.engine.records import BagMemory, Records
from transfer.engine.surroundings import Surroundings
from transfer.jobs.send.night import NightOnDrive
from transfer.jobs.send.plan import NightPlan
from transfer.jobs.send.proving import NightReceiver, about
from transfer.jobs.send.survey import Survey

# What is taken for the speed of a drive that was never measured.
_BYTES_PER_S = 20e6
_LISTS_S = 10.0
# How long the lists of a very large night may take on a slow drive, when the run has to end.
_LISTS_PATIENCE_S = 40.0


class NightRun:
    """Carries nights, each to all its drives. A drive that fails takes no other with it."""

    def __init__(self, survey: Survey, around: Surroundings) -> None:
        self._survey = survey
        self._around = around
        self._stop = around.stop

    @property
    def has_time(self) -> bool:
        """Whether the run may begin a further night: not when its lists would take the time that is left."""
        return not self._stop.why and self._stop.left_s() > 2 * self._for_the_lists_s

    @property
    def _for_the_lists_s(self) -> float:
        return min(_LISTS_S, self._stop.limit_s / 5)

    def make_room(self, nights: Sequence[NightOnDrive]) -> None:
        """Remove from the drives what dead runs left half written: their room was counted as free."""
        acts: dict[Destination, Callable[[], None]] = {}
        for destination in {night.destination for night in nights if night.plan.leftover_bytes}:
            bags = [night.plan.listed for night in nights if night.destination is destination]
            acts[destination] = partial(_remove_leftovers, bags)
        beside(acts, self._stop)

    def carry(self, nights: Sequence[NightOnDrive]) -> None:
        """Carry one night to its drives. One read of a source feeds every drive."""
        if not nights:
            return
        self.begin(nights)
        self.carry_begun(nights)
        self.publish(nights)
        for night in nights:
            night.findings += _unproven(night, self._stop.why)

    def begin(self, nights: Sequence[NightOnDrive], more_files: int = 0) -> None:
        """Make the bags of a night ready to take its files, and so many more that are still to come."""
        acts = {night.destination: partial(self._begin, night, more_files) for night in nights}
        beside(acts, self._stop)

    def carry_begun(self, nights: Sequence[NightOnDrive]) -> None:
        """Carry what the nights that were begun have to do, and have it read back."""
        begun = [night for night in nights if night.side is not None]
        Rounds(
            [night.side for night in begun if night.side is not None],
            lambda task: Opening(self._survey.path_of(task.file)),
            self._around.medium,
            self._stop,
            self._around.listen,
            may_go_on=lambda: self._has_time_for(begun),
        ).run()

    def publish(self, nights: Sequence[NightOnDrive]) -> None:
        """Write the lists of the nights that were begun."""
        begun = [night for night in nights if night.side is not None]
        lists = {night.destination: partial(self._publish, night) for night in begun}
        beside(lists, self._stop, _LISTS_PATIENCE_S)

    def _begin(self, night: NightOnDrive, more_files: int) -> None:
        plan, files = night.plan, self._survey.nights.get(night.plan.night, ())
        bag = night.bag = OpenBag(plan.listed, _bag_info(plan))
        if plan.lost:
            self._around.records.forget_bag(plan.drive.mark.id, plan.night)
        bag.begin(plan.list_bytes(more_files), plan.lost, plan.doubtful)
        night.files |= {(file.source, file.path): file for file in files}
        listen = self._around.listen
        night.receiver = NightReceiver(plan, bag, night.files, self._survey.path_of, listen, self._stop)
        todo = {task.path: task for task in plan.tasks}
        night.side = Side(night.destination, night.receiver, plan.label, todo)

    def _has_time_for(self, nights: Sequence[NightOnDrive]) -> bool:
        """Return whether to copy on: not when the time left is what the read-back needs."""
        left_s = self._stop.left_s()
        return left_s == float("inf") or left_s > max(map(_read_back_s, nights)) + self._for_the_lists_s

    def _publish(self, night: NightOnDrive) -> None:
        """Write the manifest of what is proven, on a drive that is still where it was."""
        plan, bag, side = night.plan, night.bag, night.side
        assert bag is not None, "a night is begun before it is published"
        assert side is not None, "likewise"
        if not plan.drive.folder.still_there():
            raise drive_left(plan.drive)
        listing = _Listing(self._around.records, plan, bag)
        anew = plan.listed.found_damaged & bag.proofs.proven
        said = found_damaged.content_with_whole(plan.listed, anew, self._around.clock()) if anew else None
        if said is not None:
            bag.lists.put_beside(found_damaged.PATH, said)
        try:
            bag.publish(not side.todo and not bag.proofs.unproven and night.full is None, listing.begin)
            listing.memory.keep(plan.listed.fingerprint() or "")
            self._around.records.forget_damaged(plan.drive.mark.id, plan.night, anew)
        finally:
            listing.memory.drop()
        night.summary = listing.summary

    def read_again(self, nights: Sequence[NightOnDrive]) -> None:
        """Read back once more what was proven on a drive that gave a bad file later in the same run."""
        of_each: dict[Destination, list[NightOnDrive]] = {}
        for night in nights:
            of_each.setdefault(night.destination, []).append(night)
        beside({each: partial(self._read_again, its) for each, its in of_each.items()}, self._stop)

    def _read_again(self, nights: Sequence[NightOnDrive]) -> None:
        for night in nights:
            assert night.receiver is not None, "only what was carried is read again"
            if not night.receiver.read_again():
                self._around.records.forget_bag(night.plan.drive.mark.id, night.plan.night)


def _remove_leftovers(bags: Sequence[ListedBag]) -> None:
    for bag in bags:
        if bag.unfinished:
            remove_leftovers(bag)


def _unproven(night: NightOnDrive, why_stopped: str) -> list[Finding]:
    """Return the findings that name what is not proven, and why."""
    side, bag = night.side, night.bag
    if side is None or bag is None:
        return []
    findings = [about(task, finding) for task, finding in side.findings]
    reason = _why(night, why_stopped)
    for path, task in side.todo.items():
        detail = reason or side.reasons.get(path, "")
        findings.append(about(task, Finding(FindingKind.NOT_PROVEN, detail)))
    waiting = (
        Finding(FindingKind.NOT_PROVEN, f"written, not read back: {reason}", path)
        for path in bag.proofs.unproven
    )
    return [*findings, *waiting]


def _why(night: NightOnDrive, why_stopped: str) -> str:
    ended = night.destination.failure or night.full
    if ended is not None:
        return ended.happened
    if night.side is not None and night.side.stopped:
        return why_stopped or "the time limit left no time to prove more"
    return why_stopped


def _bag_info(plan: NightPlan) -> dict[str, str]:
    evening = plan.night.isoformat()
    return {
        "External-Identifier": f"{evening} {plan.drive.mark.id}",
        "Internal-Sender-Identifier": evening,
        "Internal-Sender-Description": f"Frames and logs of the night that began on {evening}",
    }


class _Listing:
    """What a bag's entries add up to, and what this computer remembers of them; each try begins anew."""

    def __init__(self, records: Records, plan: NightPlan, bag: OpenBag) -> None:
        self._records, self._plan, self._bag = records, plan, bag
        self.memory, self.summary = self._anew()

    def _anew(self) -> tuple[BagMemory, Summary]:
        return self._records.remember_bag(self._plan.drive.mark.id, self._plan.night), Summary()

    def begin(self) -> Callable[[Entry], None]:
        """Begin, and return what takes each entry."""
        self.memory.drop()
        self.memory, self.summary = self._anew()
        return self._take

    def _take(self, entry: Entry) -> None:
        bag = self._bag
        own = (
            entry.path in bag.brought or entry.path in bag.lists.same or entry.path not in self._plan.not_own
        )
        self.memory.add(entry, own)
        self.summary.add(entry)


def _read_back_s(night: NightOnDrive) -> float:
    """Estimate how long the flush and the read-back of what lies unproven on the drive take."""
    mark = night.plan.drive.mark
    copied_bytes = 0 if night.side is None else night.side.copied_bytes
    flush_s = min(copied_bytes, BATCH_BYTES) / (mark.write_bytes_per_s or _BYTES_PER_S)
    read_s = (night.plan.to_read_bytes + copied_bytes) / (mark.read_bytes_per_s or _BYTES_PER_S)
    return 1.1 * read_s + flush_s
