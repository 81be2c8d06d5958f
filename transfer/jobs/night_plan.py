"""What a night still needs on one drive: compared with what its bag there has, and with what it can hold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from manifests.bags.paths import PAYLOAD, SET_ASIDE
from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from transfer.engine.drive import OpenDrive
from transfer.engine.listed_bag import Known, ListedBag, Origin, known_of
from transfer.engine.medium import PinnedFolder, ReadBack
from transfer.engine.sources import SourceFile
from transfer.engine.task import Task
from transfer.records import Records

if TYPE_CHECKING:
    from transfer.engine.limits import FileSystemLimits

# What a bag says of a file (a line in each of three lists, and in the journal), as common experience
# has it, rounded up; and a cluster of each file that stays half empty, exFAT's default at most.
_LINES_BYTES = 1 << 10
_CLUSTER_BYTES = 128 << 10
RESERVE_BYTES = 4 << 20


@dataclass(slots=True)
class NightPlan:
    """One night on one drive: what is to be carried, what waits to be read back, what cannot go.

    `lost` are listed files that are not on the drive any more as they were.
    """

    night: date
    bag: ListedBag
    tasks: list[Task] = field(default_factory=list)
    waiting: int = 0
    waiting_bytes: int = 0
    there: int = 0
    there_bytes: int = 0
    there_from_medium: bool = True
    lost: set[str] = field(default_factory=set)
    refused: list[Finding] = field(default_factory=list)
    noticed: list[Finding] = field(default_factory=list)

    @property
    def files(self) -> int:
        """How many files of the night belong on the drive."""
        return len(self.tasks) + self.waiting + self.there + len(self.refused)

    @property
    def size_bytes(self) -> int:
        """How many bytes those that the drive can hold have."""
        return self.task_bytes + self.waiting_bytes + self.there_bytes

    @property
    def task_bytes(self) -> int:
        """How many bytes are to be carried."""
        return sum(task.file.size_bytes for task in self.tasks)

    @property
    def nothing_to_do(self) -> bool:
        """Whether all of the night is on the drive and proven."""
        return not self.tasks and not self.bag.unfinished and not self.bag.damage

    def leave_out(self) -> None:
        """Take all that is to be carried out of the plan, and list it as not carried."""
        for task in self.tasks:
            where = f"{task.file.source}/{task.file.path}"
            self.refused.append(Finding(FindingKind.NOT_PROVEN, "the night does not fit on the drive", where))
        self.tasks = []

    def list_bytes(self) -> int:
        """Give the space that the bag's lists and its journal may take."""
        return 2 * (len(self.bag.known) + self.files) * _LINES_BYTES + (128 << 10)

    def needed_bytes(self) -> int:
        """Give the space that what is to be carried may take, names and lists included."""
        each = 2 * _LINES_BYTES + _CLUSTER_BYTES // 2
        return self.task_bytes + len(self.tasks) * each


def unfinished_nights(folder: PinnedFolder) -> frozenset[date]:
    """Give the nights on a drive that an earlier run did not bring to their end. Raises OSError."""
    nights = (_as_night(name) for name, is_folder in folder.names("") if is_folder)
    return frozenset(n for n in nights if n is not None and ListedBag(folder, n.isoformat()).unfinished)


def _as_night(name: str) -> date | None:
    try:
        night = date.fromisoformat(name)
    except ValueError:
        return None
    return night if night.isoformat() == name else None


def listed_bag(drive: OpenDrive, night: date, records: Records) -> ListedBag:
    """Look at a night's bag on a drive, its list taken from memory where that is of the same bag."""
    bag = ListedBag(drive.folder, night.isoformat())
    fingerprint = bag.fingerprint()
    remembered = None if fingerprint is None else records.bag(drive.mark.id, night, fingerprint)
    if remembered is not None:
        bag.recall(remembered)
        return bag
    memory = records.remember_bag(drive.mark.id, night)
    try:
        bag.load(memory.add)
        if fingerprint is not None and not bag.damage:
            memory.keep(fingerprint)
    finally:
        memory.drop()
    return bag


def plan_night(bag: ListedBag, night: date, files: Sequence[SourceFile], drive: OpenDrive) -> NightPlan:
    """Compare a night's files with its bag. Reads the drive; writes nothing. Raises OSError.

    A bag whose list was damaged is planned anew as a whole: what is left of it will be set aside.
    """
    plan = _compared(bag, night, files, drive)
    if not plan.nothing_to_do and not bag.damage and not bag.holds():
        plan = _compared(bag, night, files, drive)
    if bag.damage:
        detail = f"{bag.damage}; the bag is set aside on the drive, and the night is carried anew"
        plan.noticed.append(Finding(FindingKind.MALFORMED, detail, f"{drive.name}/{bag.path}"))
    return plan


def _compared(bag: ListedBag, night: date, files: Iterable[SourceFile], drive: OpenDrive) -> NightPlan:
    plan = NightPlan(night, bag)
    present = _Present(bag, drive.name)
    waiting = {(entry.source, entry.original): known_of(entry) for entry in bag.left_whole().values()}
    rest = [file for file in files if not _is_there(plan, file, present)]
    limits = drive.limits if rest else None
    for file in sorted(rest):
        _plan_file(plan, file, waiting, present, limits)
    superseded = {task.path for task in plan.tasks if task.older is not None}
    sizes = [left.size_bytes for left in waiting.values() if left.path not in superseded]
    plan.waiting, plan.waiting_bytes = len(sizes), sum(sizes)
    return plan


def _is_there(plan: NightPlan, file: SourceFile, present: _Present) -> bool:
    """Count a file that the bag has as it is; most files of most runs are."""
    known = plan.bag.known.get((file.source, file.path))
    if known is None or not _same(file, known) or not present.has(known):
        return False
    plan.there += 1
    plan.there_bytes += file.size_bytes
    plan.there_from_medium = plan.there_from_medium and known.read_back == ReadBack.MEDIUM
    return True


def _plan_file(
    plan: NightPlan,
    file: SourceFile,
    waiting: Mapping[Origin, Known],
    present: _Present,
    limits: FileSystemLimits | None,
) -> None:
    origin = (file.source, file.path)
    left, known = waiting.get(origin), plan.bag.known.get(origin)
    if left is not None and _same(file, left):
        return
    if known is not None and not present.has(known):
        plan.lost.add(known.path)
        plan.noticed.append(present.what_became_of(known))
        plan.tasks.append(Task(file, plan.night, known.path))
    elif left is not None or known is not None:
        older = left or known
        assert older is not None
        plan.tasks.append(Task(file, plan.night, older.path, older))
    else:
        _plan_new(plan, file, limits)


def _same(file: SourceFile, known: Known) -> bool:
    """Tell whether a source is as it was: by size and time, which is common practice, not proof."""
    return not known.growing and (known.size_bytes, known.modified_ns) == (file.size_bytes, file.modified_ns)


def _plan_new(plan: NightPlan, file: SourceFile, limits: FileSystemLimits | None) -> None:
    from transfer.engine.limits import cannot_hold

    wanted = f"{PAYLOAD}/{file.source}/{portable_path(file.path)}"
    reason = None if limits is None else cannot_hold(limits, f"{plan.bag.path}/{wanted}", file.size_bytes)
    if reason is not None:
        plan.refused.append(Finding(FindingKind.TOO_LARGE, reason, f"{file.source}/{file.path}"))
        return
    path = plan.bag.claim(wanted)
    findings: tuple[Finding, ...] = ()
    if path != f"{PAYLOAD}/{file.source}/{file.path}":
        findings = (Finding(FindingKind.NAME_CHANGED, f"stored as {path}"),)
    plan.tasks.append(Task(file, plan.night, path, findings=findings))


class _Present:
    """The files in the bag's folders and their sizes, listed once a folder: cheaper than a look at each."""

    def __init__(self, bag: ListedBag, drive: str) -> None:
        self._bag, self._drive = bag, drive
        self._folders: dict[str, dict[str, int]] = {}

    def _size_of(self, path: str) -> int | None:
        folder, _, name = path.rpartition("/")
        if folder not in self._folders:
            self._folders[folder] = self._bag.folder.sizes(f"{self._bag.path}/{folder}")
        return self._folders[folder].get(name)

    def has(self, known: Known) -> bool:
        """Tell whether a listed file is there with its size: less than a check, which reads it."""
        return self._size_of(known.path) == known.size_bytes

    def what_became_of(self, known: Known) -> Finding:
        """Say what happened to a listed file that is not there as it was."""
        where = f"{self._drive}/{self._bag.path}/{known.path}"
        size_bytes = self._size_of(known.path)
        if size_bytes is None:
            detail = "an earlier run proved it; it is to be carried again (nightferry check proves the rest)"
            return Finding(FindingKind.MISSING, detail, where)
        detail = (
            f"an earlier run proved it with {known.size_bytes} bytes, and it has {size_bytes}; it is to be "
            f"carried again, and what is there kept in {SET_ASIDE} (nightferry check proves the rest)"
        )
        return Finding(FindingKind.CHANGED, detail, where)
