"""One night carried to its drives: copied, read back, what does not match carried again, published."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from manifests.bags.entries import Entry
from manifests.bags.summary import Summary
from manifests.findings import Finding, FindingKind
from transfer.engine.bag.open import OpenBag
from transfer.engine.copy.batch import OneBag
from transfer.engine.copy.copier import Copier, Work
from transfer.engine.copy.lane import BATCH_BYTES, Lane
from transfer.engine.copy.task import Task
from transfer.engine.medium import Medium
from transfer.errors import DoesNotFit
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.send.beside import beside, give_up_waiting
from transfer.jobs.send.drive_night import DriveNight, drive_left
from transfer.jobs.send.proving import Proving
from transfer.jobs.send.survey import Survey
from transfer.records import BagMemory, Records
from transfer.stop import Stop

# A copy that does not match is written again from its source, twice at most.
_ROUNDS = 3
# What is taken for the speed of a drive that was never measured.
_BYTES_PER_S = 20e6
_LISTS_S = 10.0
# How long the lists of a very large night may take on a slow drive, when the run has to end.
_LISTS_PATIENCE_S = 40.0


@dataclass(frozen=True, slots=True)
class NightRun:
    """What carrying one night needs: where its files are, who is told, and when to end."""

    survey: Survey
    medium: Medium
    records: Records
    listen: Listener
    stop: Stop

    def carry(self, nights: list[DriveNight]) -> None:
        """Carry the night to all its drives; what became of each is left in it.

        One read of a source feeds every drive. A drive that fails takes no other with it.
        """
        proving = Proving(self.survey, self.listen, self.stop)
        beside(nights, self._begin, self.stop)
        for _ in range(_ROUNDS):
            self._copy(nights)
            beside(nights, proving.prove, self.stop)
            if self.stop.why or not any(_can_go_on(night) for night in nights):
                break
        beside(nights, proving.leave_bad_out, self.stop)
        beside(nights, self._publish, self.stop, _LISTS_PATIENCE_S)
        for night in nights:
            self._list_unproven(night)

    @staticmethod
    def _begin(night: DriveNight) -> None:
        night.todo = list(night.plan.tasks)
        night.bag = OpenBag(night.plan.bag, _bag_info(night))
        night.bag.begin(night.plan.list_bytes(), night.plan.lost)

    # Copying

    def _copy(self, nights: list[DriveNight]) -> None:
        lanes = {night: self._lane(night) for night in nights if _can_go_on(night)}
        if not lanes:
            return
        for night in lanes:
            total = sum(task.file.size_bytes for task in night.todo)
            self.listen(PhaseBegan(Phase.COPYING, night.label, total))
        with Copier(self.medium, self.stop) as copier:
            failed, left = copier.carry(self._works(lanes), lambda: self._go_on(lanes))
            for night, lane in lanes.items():
                self._end_lane(night, lane)
        for each in failed:
            self._source_failed(each.work, each.finding, lanes)
        for work in left:
            self._not_begun(work, lanes)
        for night in lanes:
            self.listen(PhaseEnded(Phase.COPYING, night.label))

    def _lane(self, night: DriveNight) -> Lane:
        def on_bytes(count: int) -> None:
            night.copied_bytes += count
            self.listen(BytesDone(Phase.COPYING, night.label, count))

        def on_refused(task: Task, reason: str) -> None:
            finding = Finding(FindingKind.NOT_PROVEN, f"the drive refuses its name, {task.path} ({reason})")
            night.findings.append(_about(task, finding))

        @contextmanager
        def flushing(size_bytes: int) -> Iterator[None]:
            self.listen(PhaseBegan(Phase.FLUSHING, night.label, size_bytes))
            try:
                yield
            finally:
                self.listen(PhaseEnded(Phase.FLUSHING, night.label))

        return Lane(OneBag(night.open_bag, on_refused, flushing), on_bytes, self.stop.has_patience)

    def _works(self, lanes: Mapping[DriveNight, Lane]) -> list[Work]:
        """Make one work of each source; those that take the place of an older copy come last.

        An older copy leaves the manifest before its place is taken: late, and all at once.
        """
        tasks: dict[tuple[str, str], dict[Lane, Task]] = {}
        for night, lane in lanes.items():
            for task in night.todo:
                tasks.setdefault((task.file.source, task.file.path), {})[lane] = task
            night.todo = []
        works = [self._work(by_lane) for by_lane in tasks.values()]
        return sorted(works, key=lambda work: any(task.older is not None for task in work.tasks.values()))

    def _work(self, by_lane: dict[Lane, Task]) -> Work:
        file = next(iter(by_lane.values())).file
        return Work(file, self.survey.path_of(file), by_lane)

    def _go_on(self, lanes: Mapping[DriveNight, Lane]) -> bool:
        """Tell whether to copy on: not when the time left is what the read-back needs."""
        if self.stop.signalled or all(lane.has_ended for lane in lanes.values()):
            return False
        left_s = self.stop.left_s()
        for_the_lists_s = min(_LISTS_S, self.stop.limit_s / 5)
        return left_s == float("inf") or left_s > max(map(_read_back_s, lanes)) + for_the_lists_s

    def _end_lane(self, night: DriveNight, lane: Lane) -> None:
        lane.finish()
        night.todo += lane.voided
        night.reasons |= {task.path: f"it could not be written ({lane.trouble})" for task in lane.voided}
        if lane.hangs:
            give_up_waiting(night, self.stop)
        elif isinstance(lane.failure, DoesNotFit):
            night.full = lane.failure  # what stands on it can still be proven
        else:
            night.failure = lane.failure
        for task, finding in lane.refused:
            night.findings.append(_about(task, finding))

    @staticmethod
    def _source_failed(work: Work, finding: Finding, lanes: Mapping[DriveNight, Lane]) -> None:
        for night, lane in lanes.items():
            if lane in work.tasks:
                night.findings.append(_about(work.tasks[lane], finding))

    @staticmethod
    def _not_begun(work: Work, lanes: Mapping[DriveNight, Lane]) -> None:
        for night, lane in lanes.items():
            if lane in work.tasks:
                night.todo.append(work.tasks[lane])
                night.stopped = night.stopped or not lane.has_ended

    # Ending

    def _publish(self, night: DriveNight) -> None:
        """Write the manifest of what is proven, on a drive that is still where it was."""
        bag = night.open_bag
        if not night.drive.folder.still_there():
            raise drive_left(night.drive)
        listing = _Listing(self.records, night)
        try:
            bag.publish(not night.todo and not bag.proofs.unproven and night.full is None, listing.begin)
            listing.memory.keep(bag.listed.fingerprint() or "")
        finally:
            listing.memory.drop()
        night.summary = listing.summary

    def _list_unproven(self, night: DriveNight) -> None:
        reason = self._why(night)
        for task in night.todo:
            own = reason or night.reasons.get(task.path, "")
            night.findings.append(_about(task, Finding(FindingKind.NOT_PROVEN, own)))
        for path in night.bag.proofs.unproven if night.bag is not None else ():
            night.findings.append(Finding(FindingKind.NOT_PROVEN, f"written, not read back: {reason}", path))

    def _why(self, night: DriveNight) -> str:
        ended = night.failure or night.full
        if ended is not None:
            return ended.happened
        if night.stopped:
            return self.stop.why or "the time limit left no time to prove more"
        return self.stop.why

    def read_again(self, nights: list[DriveNight]) -> None:
        """Read back once more what was proven on a drive that gave a bad file later in the same run."""
        beside(nights, Proving(self.survey, self.listen, self.stop).read_again, self.stop)


def _bag_info(night: DriveNight) -> dict[str, str]:
    evening = night.plan.night.isoformat()
    return {
        "External-Identifier": f"{evening} {night.drive.mark.id}",
        "Internal-Sender-Identifier": evening,
        "Internal-Sender-Description": f"Frames and logs of the night that began on {evening}",
    }


class _Listing:
    """What a bag's entries add up to, and what this computer remembers of them; each try begins anew."""

    def __init__(self, records: Records, night: DriveNight) -> None:
        self._records, self._night = records, night
        self.memory, self.summary = self._anew()

    def _anew(self) -> tuple[BagMemory, Summary]:
        night = self._night
        return self._records.remember_bag(night.drive.mark.id, night.plan.night), Summary()

    def begin(self) -> Callable[[Entry], None]:
        """Begin, and give what takes each entry."""
        self.memory.drop()
        self.memory, self.summary = self._anew()
        return self._take

    def _take(self, entry: Entry) -> None:
        bag, plan = self._night.open_bag, self._night.plan
        own = entry.path in bag.brought or entry.path in bag.lists.same or entry.path not in plan.not_own
        self.memory.add(entry, own)
        self.summary.add(entry)


def _can_go_on(night: DriveNight) -> bool:
    return bool(night.todo) and night.failure is None and night.full is None


def _read_back_s(night: DriveNight) -> float:
    """Estimate how long the flush and the read-back of what stands unproven on the drive take."""
    rate = night.drive.mark.read_bytes_per_s or _BYTES_PER_S
    unflushed_bytes = min(night.copied_bytes, BATCH_BYTES)
    flush_s = unflushed_bytes / (night.drive.mark.write_bytes_per_s or _BYTES_PER_S)
    return 1.1 * (night.plan.waiting_bytes + night.copied_bytes) / rate + flush_s


def _about(task: Task, finding: Finding) -> Finding:
    return Finding(finding.kind, finding.detail, f"{task.file.source}/{task.file.path}")
