"""One night carried to its drives: copied, read back, what does not match carried again, published."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from manifests.bags.entries import Entry
from manifests.bags.summary import Summary
from manifests.findings import Finding, FindingKind
from transfer.engine.copier import Copier, Work
from transfer.engine.lane import Lane
from transfer.engine.medium import Medium
from transfer.engine.open_bag import OpenBag
from transfer.engine.readback import Compared, Outcome
from transfer.engine.task import Task
from transfer.errors import DoesNotFit, NightferryError
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.drive_night import DriveNight, drive_failure
from transfer.jobs.survey import Survey
from transfer.records import Records
from transfer.stop import Stop

# A copy that does not match is written again from its source, twice at most.
_ROUNDS = 3
# What a read-back is taken to reach on a drive that was never measured.
_READ_BYTES_PER_S = 20e6
_LISTS_S = 10.0


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
        beside(nights, self._begin)
        for _ in range(_ROUNDS):
            self._copy(nights)
            beside(nights, self._prove)
            if self.stop.why or not any(_can_go_on(night) for night in nights):
                break
        beside(nights, self._publish)
        for night in nights:
            self._list_unproven(night)

    @staticmethod
    def _begin(night: DriveNight) -> None:
        night.todo = list(night.plan.tasks)
        night.bag = OpenBag(night.plan.bag, _bag_info(night))
        night.bag.begin(night.plan.list_bytes())

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

        return Lane(night.open_bag, on_bytes)

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
        if self.stop.signalled or all(lane.failure is not None for lane in lanes.values()):
            return False
        left_s = self.stop.left_s()
        return left_s == float("inf") or left_s > max(_read_back_s(night) for night in lanes)

    @staticmethod
    def _end_lane(night: DriveNight, lane: Lane) -> None:
        lane.finish()
        night.todo += lane.voided
        if isinstance(lane.failure, DoesNotFit):
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
                night.stopped = night.stopped or lane.failure is None

    # Proving

    def _prove(self, night: DriveNight) -> None:
        """Read back what was written; what does not match goes back on the list of what is to be done."""
        bag = night.open_bag
        if self.stop.signalled:
            return
        self.listen(PhaseBegan(Phase.READING_BACK, night.label, bag.unproven_bytes))
        bad = bag.prove(
            lambda count: self.listen(BytesDone(Phase.READING_BACK, night.label, count)),
            lambda: not self.stop.why,
        )
        self.listen(PhaseEnded(Phase.READING_BACK, night.label))
        if bad:
            self._carry_again(night, bad)

    def _carry_again(self, night: DriveNight, bad: list[Compared]) -> None:
        """Put bad copies back on the list. One bad file makes the run read back all that it wrote."""
        bag = night.open_bag
        sources = {(file.source, file.path): file for file in self.survey.nights.get(night.plan.night, ())}
        wrong = {bag.in_bag(compared.copy): _what_was_wrong(compared) for compared in bad}
        origins = bag.origins(set(wrong))
        for path, reason in wrong.items():
            file = sources.get(origins[path])
            if file is None:
                self._keep_aside(night, path, reason)
            else:
                bag.note(path, Finding(FindingKind.WRITTEN_AGAIN, reason))
                night.todo.append(Task(file, night.plan.night, path))
        night.again += len(wrong)
        bag.doubt()

    @staticmethod
    def _keep_aside(night: DriveNight, path: str, reason: str) -> None:
        detail = f"{reason}, and its source is gone: what there is of it is kept in nightferry/set-aside"
        night.findings.append(Finding(FindingKind.NOT_PROVEN, detail, path))
        night.open_bag.give_up(path, source_is_there=False)

    # Ending

    def _publish(self, night: DriveNight) -> None:
        """Write the manifest of what is proven; a bad copy doesn't stay under its final name."""
        bag = night.open_bag
        for task in night.todo:
            if task.path in bag.found_bad:
                bag.give_up(task.path, Path(self.survey.path_of(task.file)).exists())
        memory = self.records.remember_bag(night.drive.mark.id, night.plan.night)
        summary = Summary()

        def on_entry(entry: Entry) -> None:
            memory.add(entry)
            summary.add(entry)

        bag.publish(not night.todo and not bag.unproven and night.full is None, on_entry)
        memory.keep(bag.listed.fingerprint() or "")
        night.summary = summary

    def _list_unproven(self, night: DriveNight) -> None:
        reason = self._why(night)
        for task in night.todo:
            night.findings.append(_about(task, Finding(FindingKind.NOT_PROVEN, reason)))
        for path in night.bag.unproven if night.bag is not None else ():
            night.findings.append(Finding(FindingKind.NOT_PROVEN, f"written, not read back: {reason}", path))

    def _why(self, night: DriveNight) -> str:
        ended = night.failure or night.full
        if ended is not None:
            return ended.happened
        if night.stopped:
            return self.stop.why or "the time limit left no time to prove more"
        return self.stop.why or "its copy did not match, three times"

    def read_again(self, nights: list[DriveNight]) -> None:
        """Read back once more what was proven on a drive that gave a bad file later in the same run."""
        beside(nights, self._read_again)

    def _read_again(self, night: DriveNight) -> None:
        bag = night.open_bag
        bag.doubt()
        bad = bag.prove(_uncounted, lambda: not self.stop.signalled)
        if not bad:
            return
        paths = {bag.in_bag(compared.copy) for compared in bad}
        bag.journal.begin([])
        bag.withdraw(paths)
        for path in sorted(paths):
            bag.give_up(path, source_is_there=True)
            detail = "proven at first, different when the drive was read again: don't trust this drive"
            night.findings.append(Finding(FindingKind.NOT_PROVEN, detail, path))


def _bag_info(night: DriveNight) -> dict[str, str]:
    evening = night.plan.night.isoformat()
    return {
        "External-Identifier": f"{evening} {night.drive.mark.id}",
        "Internal-Sender-Identifier": evening,
        "Internal-Sender-Description": f"Frames and logs of the night that began on {evening}",
    }


def _uncounted(count: int) -> None:
    """Count nothing: the bytes were counted when they were first read back."""


def _can_go_on(night: DriveNight) -> bool:
    return bool(night.todo) and night.failure is None and night.full is None


def _at_work(nights: Iterable[DriveNight]) -> list[DriveNight]:
    return [night for night in nights if night.failure is None]


def _read_back_s(night: DriveNight) -> float:
    """Estimate how long the read-back of what stands unproven on the drive takes."""
    rate = night.drive.mark.read_bytes_per_s or _READ_BYTES_PER_S
    return 1.1 * (night.plan.waiting_bytes + night.copied_bytes) / rate + _LISTS_S


def _about(task: Task, finding: Finding) -> Finding:
    return Finding(finding.kind, finding.detail, f"{task.file.source}/{task.file.path}")


def _what_was_wrong(compared: Compared) -> str:
    if compared.outcome is Outcome.UNREADABLE:
        return f"the first copy could not be read back ({compared.reason})"
    return "what was read back was not what was written"


def beside(nights: Iterable[DriveNight], act: Callable[[DriveNight], None]) -> None:
    """Do one act for every drive that is at work, all at the same time; an error ends that drive's night."""
    threads = [
        threading.Thread(target=_guarded, args=(act, night), daemon=True) for night in _at_work(nights)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _guarded(act: Callable[[DriveNight], None], night: DriveNight) -> None:
    try:
        act(night)
    except OSError as error:
        night.failure = drive_failure(error, night.drive)
    except NightferryError as error:
        night.failure = error
