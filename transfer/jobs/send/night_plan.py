"""What a night still needs on one drive: compared with what its bag there has, and with what it can hold."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from manifests.bags.paths import PAYLOAD
from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from transfer.engine.bag.listed import Known, ListedBag, Origin, known_of
from transfer.engine.copy.task import Task
from transfer.engine.drive import OpenDrive
from transfer.engine.medium import PinnedFolder, ReadBack
from transfer.engine.sources import SourceFile
from transfer.jobs.send.comparing import Contents
from transfer.jobs.send.present import Present
from transfer.records import Records

if TYPE_CHECKING:
    from manifests.bags.entries import Entry
    from transfer.engine.limits import FileSystemLimits

# What a bag says of a file (a line in each of three lists, and in the journal), as common experience
# has it, rounded up; and a cluster of each file that stays half empty, exFAT's default at most.
_LINES_BYTES = 1 << 10
_CLUSTER_BYTES = 128 << 10
RESERVE_BYTES = 4 << 20


@dataclass(slots=True)
class NightPlan:
    """One night on one drive: what is to be carried, what waits to be read back, what cannot go.

    `lost` are listed files that are not on the drive any more as they were, `not_own` those whose content
    this computer has never read from a source; with `compared` there are fewer of these than its records say.
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
    not_own: set[str] = field(default_factory=set)
    compared: bool = False
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

    def found_same(self, known: Known) -> None:
        """Take a file for this computer's own: its source was read, and is what the drive has."""
        self.not_own.discard(known.path)
        self.compared = True

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
    own = records.own_in_bag(drive.mark.id, night)

    def is_own(entry: Entry) -> bool:
        return (entry.path, entry.digests.sha256) in own

    memory = records.remember_bag(drive.mark.id, night)
    try:
        bag.load(lambda entry: memory.add(entry, is_own(entry)), is_own)
        if fingerprint is not None and not bag.damage:
            memory.keep(fingerprint)
    finally:
        memory.drop()
    return bag


def remember_compared(plan: NightPlan, drive: OpenDrive, records: Records) -> None:
    """Keep what a comparison has found of a night with nothing to do. Raises OSError."""
    from manifests.bags.entries import EntryError

    fingerprint = plan.bag.fingerprint()
    memory = records.remember_bag(drive.mark.id, plan.night)
    try:
        for entry in plan.bag.entries():
            memory.add(entry, entry.path not in plan.not_own)
        if fingerprint is not None:
            memory.keep(fingerprint)
    except EntryError:
        return  # the list was damaged since: the next run meets that
    finally:
        memory.drop()


def plan_night(
    bag: ListedBag, night: date, files: Sequence[SourceFile], drive: OpenDrive, contents: Contents
) -> NightPlan:
    """Compare a night's files with its bag. Reads the drive; writes nothing. Raises OSError.

    A bag whose list was damaged is planned anew as a whole: what is left of it will be set aside.
    """
    left = {(entry.source, entry.original): known_of(entry) for entry in bag.left_whole().values()}
    contents.read(_unsure(bag, files, left), f"{night.isoformat()} on {drive.name}")
    plan = _compared(bag, night, files, drive, left, contents)
    if not plan.nothing_to_do and not bag.damage and not bag.holds():
        plan = _compared(bag, night, files, drive, {}, contents)
    if bag.damage:
        detail = f"{bag.damage}; the bag is set aside on the drive, and the night is carried anew"
        plan.noticed.append(Finding(FindingKind.MALFORMED, detail, f"{drive.name}/{bag.path}"))
    return plan


def _unsure(
    bag: ListedBag, files: Iterable[SourceFile], left: Mapping[Origin, Known]
) -> Iterator[SourceFile]:
    """Give the files that the drive has by name, size and time, and perhaps from another computer."""
    if not left and not bag.older and all(known.own for known in bag.known.values()):
        return
    for file in files:
        origin = (file.source, file.path)
        versions = [*bag.versions(origin), *([left[origin]] if origin in left else [])]
        same = [known.own for known in versions if _same(file, known)]
        if same and not any(same):
            yield file


def _compared(
    bag: ListedBag,
    night: date,
    files: Iterable[SourceFile],
    drive: OpenDrive,
    waiting: Mapping[Origin, Known],
    contents: Contents,
) -> NightPlan:
    plan = NightPlan(night, bag)
    every = itertools.chain(bag.known.values(), *bag.older.values(), waiting.values())
    plan.not_own.update(known.path for known in every if not known.own)
    present = Present(bag, drive.name)
    rest = [file for file in files if not _is_there(plan, file, present, contents)]
    limits = drive.limits if rest else None
    for file in sorted(rest):
        _plan_file(plan, file, waiting, present, limits, contents)
    superseded = {task.path for task in plan.tasks if task.older is not None}
    sizes = [left.size_bytes for left in waiting.values() if left.path not in superseded]
    plan.waiting, plan.waiting_bytes = len(sizes), sum(sizes)
    return plan


def _is_there(plan: NightPlan, file: SourceFile, present: Present, contents: Contents) -> bool:
    """Count a file that the bag has as it is; most files of most runs are."""
    versions = (v for v in plan.bag.versions((file.source, file.path)) if _same(file, v))
    known = next((v for v in versions if (v.own or contents.are_of(file, v)) and present.has(v)), None)
    if known is None:
        return False
    if not known.own:
        plan.found_same(known)
    plan.there += 1
    plan.there_bytes += file.size_bytes
    plan.there_from_medium = plan.there_from_medium and known.read_back == ReadBack.MEDIUM
    return True


def _plan_file(
    plan: NightPlan,
    file: SourceFile,
    waiting: Mapping[Origin, Known],
    present: Present,
    limits: FileSystemLimits | None,
    contents: Contents,
) -> None:
    origin = (file.source, file.path)
    left, known = waiting.get(origin), _own_first(plan.bag.versions(origin))
    if left is not None and _same(file, left) and contents.are_of(file, left):
        plan.found_same(left)
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


def _own_first(versions: Sequence[Known]) -> Known | None:
    """Give the version that a source may have grown from: this computer's own, where there is one."""
    return next((known for known in versions if known.own), versions[0] if versions else None)


def _same(file: SourceFile, known: Known) -> bool:
    """Tell whether a source is as it was: by size and time, which is common practice, not proof.

    It is believed of what this computer has sent itself: see `comparing`.
    """
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
