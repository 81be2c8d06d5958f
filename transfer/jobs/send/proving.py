"""A night's bag on a drive takes files, and has them read back: what becomes of a copy that is not equal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from manifests.bags.builder import Content
from manifests.bags.entries import Entry
from manifests.bags.paths import PAYLOAD
from manifests.findings import Finding, FindingKind
from manifests.frames.nights import date_findings
from transfer.engine.bag.durable import remove_if_there
from transfer.engine.bag.listed import Origin
from transfer.engine.bag.open import Arrival, OpenBag
from transfer.engine.bag.readback import Compared, Copy, Outcome
from transfer.engine.copy.batch import Batch, Written, flush
from transfer.engine.copy.rounds import Again
from transfer.engine.copy.task import Task
from transfer.engine.medium import PinnedFolder
from transfer.engine.sources import SourceFile
from transfer.events import BytesDone, FileBegan, Listener, Phase, PhaseBegan, PhaseEnded
from transfer.jobs.send.plan import NightPlan
from transfer.stop import Stop

PathOf = Callable[[SourceFile], str]


class NightReceiver:
    """Takes the files of one night into its bag on one drive, each to the place that its task names.

    `files` are the night's sources by their names in the entries, and `path_of` returns where a source is
    on this computer. `findings` say what could not be proven; `bad_count` counts the copies that were not
    what was written. The methods raise OSError and NightferryError.
    """

    def __init__(
        self,
        plan: NightPlan,
        bag: OpenBag,
        files: Mapping[Origin, SourceFile],
        path_of: PathOf,
        listen: Listener,
        stop: Stop,
    ) -> None:
        self.folder: PinnedFolder = bag.folder
        self.findings: list[Finding] = []
        self.bad_count = 0
        self._plan, self._bag = plan, bag
        self._files, self._path_of = files, path_of
        self._listen, self._stop = listen, stop

    # Taking files

    def new_part(self) -> str:
        """Return a path in the bag's incoming folder."""
        return self._bag.new_part()

    def settle(self, batch: Batch) -> None:
        """Flush a batch and give each file its place. Where that fails no file of it counts as written."""
        label = self._plan.label
        self._listen(PhaseBegan(Phase.FLUSHING, label, batch.size_bytes))
        try:
            flush(batch, self.folder)
        finally:
            self._listen(PhaseEnded(Phase.FLUSHING, label))
        arrivals, tasks = [], {}
        for written in batch.files:
            tasks[written.part] = written.task
            arrival = _arrival(written, self._bag)
            if arrival is None:
                self.folder.remove(written.part)
            else:
                arrivals.append(arrival)
        self._bag.take(
            arrivals, lambda arrival, error: self._refuse(tasks[arrival.part], arrival.part, error)
        )

    def _refuse(self, task: Task, part: str, error: OSError) -> None:
        remove_if_there(self.folder, part)  # one driver refuses a name and has taken the file away by then
        detail = f"the drive refuses its name, {task.path} ({error.strerror or error})"
        self.findings.append(about(task, Finding(FindingKind.NOT_PROVEN, detail)))

    # Proving

    @property
    def has_unproven(self) -> bool:
        """Whether something in the bag has to be read back."""
        return bool(self._bag.proofs.unproven)

    def prove(self) -> list[Again]:
        """Read back what was written; return what does not match and has to be carried again.

        One bad file makes the run read back all that it wrote.
        """
        if self._stop.signalled:
            return []
        bad = self._read_back()
        listed = {self._bag.proofs.in_bag(each.copy) for each in bad} & self._plan.doubtful
        if listed - self._bag.lists.withdrawn:
            self._bag.withdraw(listed)  # it was proven by an earlier run, perhaps from memory
        again = self._carry_again(bad)
        if bad:
            self._bag.proofs.doubt()
        return again

    def _read_back(self) -> list[Compared]:
        label = self._plan.label
        self._listen(PhaseBegan(Phase.READING_BACK, label, self._bag.proofs.unproven_bytes))

        def on_bytes(count: int) -> None:
            self._listen(BytesDone(Phase.READING_BACK, label, count))
            self._stop.pace(count)

        bad = self._bag.proofs.prove(on_bytes, lambda: not self._stop.why, self._on_copy)
        self._listen(PhaseEnded(Phase.READING_BACK, label))
        self.bad_count += len(bad)
        return bad

    def _on_copy(self, copy: Copy) -> None:
        path = self._bag.proofs.in_bag(copy).removeprefix(f"{PAYLOAD}/")
        self._listen(FileBegan(Phase.READING_BACK, path))

    def _carry_again(self, bad: list[Compared]) -> list[Again]:
        bag, again = self._bag, []
        wrong = {bag.proofs.in_bag(compared.copy): _what_was_wrong(compared) for compared in bad}
        origins = bag.origins(set(wrong))
        for path, reason in wrong.items():
            file = self._files.get(origins[path])
            if file is None:
                self._keep_aside(path, reason)
            else:
                bag.lists.note(path, Finding(FindingKind.WRITTEN_AGAIN, reason))
                again.append(Again(Task(file, self._plan.night, path), f"{reason}, every time"))
        return again

    def leave_bad_out(self, todo: Mapping[str, Task]) -> None:
        """Take copies that stayed bad out of the payload; a copy whose source is gone is kept aside."""
        for path in sorted(self._bag.proofs.found_bad):
            if path in todo and Path(self._path_of(todo[path].file)).exists():
                self._bag.give_up(path, source_is_there=True)
            else:
                self._keep_aside(path, "its copy did not match")

    def _keep_aside(self, path: str, reason: str) -> None:
        source, original = self._bag.origins({path})[path]
        detail = f"{reason}, and its source is gone: what there is of it is kept in nightferry/set-aside"
        self.findings.append(Finding(FindingKind.NOT_PROVEN, detail, f"{source}/{original}"))
        self._bag.give_up(path, source_is_there=False)

    def read_again(self) -> bool:
        """Read back once more what was proven on a drive that gave a bad file later in the same run.

        Return whether all of it is still what was written.
        """
        bag = self._bag
        bag.proofs.doubt()
        bad = bag.proofs.prove(_uncounted, lambda: not self._stop.why)
        if not bad:
            return True
        paths = {bag.proofs.in_bag(compared.copy) for compared in bad}
        bag.journal.begin([])
        bag.withdraw(paths)
        for path in sorted(paths):
            bag.give_up(path, source_is_there=True)
            detail = "proven at first, different when the drive was read again: don't trust this drive"
            self.findings.append(Finding(FindingKind.NOT_PROVEN, detail, path))
        return False


def about(task: Task, finding: Finding) -> Finding:
    """Return a finding with the source that the task is for as its path."""
    return Finding(finding.kind, finding.detail, f"{task.file.source}/{task.file.path}")


def _uncounted(count: int) -> None:
    """Count nothing: the bytes were counted when they were first read back."""


def _what_was_wrong(compared: Compared) -> str:
    if compared.outcome is Outcome.UNREADABLE:
        return f"the first copy could not be read back ({compared.reason})"
    return "what was read back is not what was written"


# A file that was written, on its way to its place


def _arrival(written: Written, bag: OpenBag) -> Arrival | None:
    """Decide the place of a whole file; None where the bag has its content already."""
    content, older = written.content.result(), written.task.older
    entry = _entry(written, content)
    if older is None:
        return Arrival(written.part, entry, replaces=False)
    if content.digests.sha256 == older.sha256:
        bag.lists.refresh(entry, older)
        return None
    if content.prefixes.get(older.size_bytes) == older.sha256:
        return Arrival(written.part, entry, replaces=True)
    return _beside(written.part, entry, bag)


def _beside(part: str, entry: Entry, bag: OpenBag) -> Arrival:
    path = bag.listed.claim(entry.path)
    finding = Finding(FindingKind.KEPT_BOTH, f"the other is {entry.path}")
    return Arrival(part, entry.at(path, finding), replaces=False)


def _entry(written: Written, content: Content) -> Entry:
    task, read = written.task, written.read
    return Entry(
        path=task.path,
        size_bytes=content.size_bytes,
        digests=content.digests,
        modified_ns=read.modified_ns,
        created_ns=read.created_ns,
        source=task.file.source,
        original=task.file.path,
        night=task.night,
        growing=read.growing,
        frame=content.inspection.frame,
        findings=(*task.findings, *read.findings, *_what_it_says(content, task, read.modified_ns)),
    )


def _what_it_says(content: Content, task: Task, modified_ns: int) -> tuple[Finding, ...]:
    dated = date_findings(content.inspection, task.night, modified_ns)
    return (*content.inspection.findings, *dated)
