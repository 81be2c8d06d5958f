"""Reading back what a run has written to a drive, and what becomes of a copy that is not equal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.open import OpenBag
from transfer.engine.bag.readback import Compared, Outcome
from transfer.engine.copy.task import Task
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.send.drive_night import DriveNight
from transfer.jobs.send.survey import Survey
from transfer.stop import Stop


@dataclass(frozen=True, slots=True)
class Proving:
    """What reading back needs. Its methods raise OSError and NightferryError."""

    survey: Survey
    listen: Listener
    stop: Stop

    def prove(self, night: DriveNight) -> None:
        """Read back what was written; what does not match goes back on the list of what is to be done.

        One bad file makes the run read back all that it wrote.
        """
        if not self.stop.signalled:
            bad = self._read_back(night)
            self._list_again(night, bad)
            if bad:
                night.open_bag.proofs.doubt()

    def _read_back(self, night: DriveNight) -> list[Compared]:
        bag, label = night.open_bag, night.label
        self.listen(PhaseBegan(Phase.READING_BACK, label, bag.proofs.unproven_bytes))
        bad = bag.proofs.prove(
            lambda count: self.listen(BytesDone(Phase.READING_BACK, label, count)), lambda: not self.stop.why
        )
        self.listen(PhaseEnded(Phase.READING_BACK, label))
        night.again += len(bad)
        return bad

    def _list_again(self, night: DriveNight, bad: list[Compared]) -> None:
        bag = night.open_bag
        files = {(file.source, file.path): file for file in self.survey.nights.get(night.plan.night, ())}
        wrong = {bag.proofs.in_bag(compared.copy): _what_was_wrong(compared) for compared in bad}
        origins = bag.origins(set(wrong))
        for path, reason in wrong.items():
            file = files.get(origins[path])
            if file is None:
                self._keep_aside(night, path, reason)
            else:
                bag.lists.note(path, Finding(FindingKind.WRITTEN_AGAIN, reason))
                night.todo.append(Task(file, night.plan.night, path))
                night.reasons[path] = f"{reason}, every time"

    def leave_bad_out(self, night: DriveNight) -> None:
        """Take copies that stayed bad out of the payload, and prove once more what stands beside them."""
        bag = night.open_bag
        self._give_up(night, bag)
        while bag.proofs.unproven and not self.stop.why:
            self._list_again(night, self._read_back(night))
            self._give_up(night, bag)

    def _give_up(self, night: DriveNight, bag: OpenBag) -> None:
        sources = {task.path: self.survey.path_of(task.file) for task in night.todo}
        for path in sorted(bag.proofs.found_bad):
            if path in sources and Path(sources[path]).exists():
                bag.give_up(path, source_is_there=True)
            else:
                self._keep_aside(night, path, "its copy did not match")

    @staticmethod
    def _keep_aside(night: DriveNight, path: str, reason: str) -> None:
        bag = night.open_bag
        source, original = bag.origins({path})[path]
        detail = f"{reason}, and its source is gone: what there is of it is kept in nightferry/set-aside"
        night.findings.append(Finding(FindingKind.NOT_PROVEN, detail, f"{source}/{original}"))
        bag.give_up(path, source_is_there=False)

    def read_again(self, night: DriveNight) -> None:
        """Read back once more what was proven on a drive that gave a bad file later in the same run."""
        bag = night.open_bag
        bag.proofs.doubt()
        bad = bag.proofs.prove(_uncounted, lambda: not self.stop.why)
        if not bad:
            return
        paths = {bag.proofs.in_bag(compared.copy) for compared in bad}
        bag.journal.begin([])
        bag.withdraw(paths)
        for path in sorted(paths):
            bag.give_up(path, source_is_there=True)
            detail = "proven at first, different when the drive was read again: don't trust this drive"
            night.findings.append(Finding(FindingKind.NOT_PROVEN, detail, path))


def _uncounted(count: int) -> None:
    """Count nothing: the bytes were counted when they were first read back."""


def _what_was_wrong(compared: Compared) -> str:
    if compared.outcome is Outcome.UNREADABLE:
        return f"the first copy could not be read back ({compared.reason})"
    return "what was read back was not what was written"
