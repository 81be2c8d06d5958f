"""One night on one drive, planned: its sources compared with its bag and with what the drive can hold."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

from manifests.bags.entries import Entry, EntryError
from manifests.bags.paths import PAYLOAD, SET_ASIDE, TAG_MANIFEST
from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import counts_as_a_frame
from transfer.engine.bag.listed import Known, ListedBag, Origin, known_of
from transfer.engine.bag.open import leftover_bytes
from transfer.engine.bag.readback import evidence_of_reading
from transfer.engine.copy.task import Task
from transfer.engine.drive import OpenDrive
from transfer.engine.limits import FileSystemLimits, cannot_hold
from transfer.engine.medium import Evidence, PinnedFolder, ReadBack
from transfer.engine.records import Records
from transfer.engine.sources import SourceFile
from transfer.errors import DoesNotFit
from transfer.jobs.send.comparing import DriveCopies, SourceContents
from transfer.words import size_told

# What a bag says of a file (a line in each of three lists, and in the journal), as common experience
# has it, rounded up; and a cluster of each file that stays half empty, exFAT's default at most.
_LINES_BYTES = 1 << 10
_CLUSTER_BYTES = 128 << 10
RESERVE_BYTES = 4 << 20
_FROM_MEDIUM = ReadBack.MEDIUM.value  # as entries have it


@dataclass(frozen=True, slots=True)
class NightPlan:
    """One night on one drive: what is to be carried, what waits to be read back, what cannot go.

    `listed` is the night's bag as it lies on the drive. `there` files are on the drive and proven by an
    earlier run, `waiting` ones only wait to be read back; `frames` counts its frames by their
    names.
    `doubtful` are listed paths that were perhaps read from memory, where they can be read from the medium
    now; `doubt` says why they cannot, where that is so.
    `lost` are listed paths that are not on the drive any more as they were; `not_own` paths whose
    content this computer has never read from a source, of which `compared` tells that there are fewer
    than the records say. `leftover_bytes` are what a dead run left half written there, which goes before
    anything is carried. `refused` says of files why the drive cannot hold them, and `too_large` that
    there is no room for the night, which is then left out: it lacks `lacks_bytes`.
    """

    drive: OpenDrive
    night: date
    listed: ListedBag
    tasks: tuple[Task, ...] = ()
    waiting: int = 0
    waiting_bytes: int = 0
    there: int = 0
    there_bytes: int = 0
    there_from_medium: bool = True
    doubtful: frozenset[str] = frozenset()
    doubtful_bytes: int = 0
    doubt: Evidence | None = None
    frames: int = 0
    lost: frozenset[str] = frozenset()
    not_own: frozenset[str] = frozenset()
    compared: bool = False
    leftover_bytes: int = 0
    refused: tuple[Finding, ...] = ()
    noticed: tuple[Finding, ...] = ()
    too_large: DoesNotFit | None = None
    lacks_bytes: int = 0

    @property
    def label(self) -> str:
        """What a progress line calls this."""
        return label_of(self.drive, self.night)

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
    def to_read_bytes(self) -> int:
        """How many bytes that lie on the drive are to be read back."""
        return self.waiting_bytes + self.doubtful_bytes

    @property
    def nothing_to_do(self) -> bool:
        """Whether all of the night is on the drive and proven."""
        return not (self.tasks or self.doubtful or self.listed.unfinished or self.listed.damage)

    def left_out(self, reason: DoesNotFit, lacks_bytes: int) -> NightPlan:
        """Return the plan without what was to be carried, which is listed as not carried."""
        refused = (
            Finding(
                FindingKind.NOT_PROVEN,
                "the night does not fit on the drive",
                f"{task.file.source}/{task.file.path}",
            )
            for task in self.tasks
        )
        left = (*self.refused, *refused)
        return replace(self, tasks=(), refused=left, too_large=reason, lacks_bytes=lacks_bytes)

    def list_bytes(self, more_files: int = 0) -> int:
        """Return the space that the bag's lists and its journal may take, with so many more files to come."""
        return 2 * (len(self.listed.known) + self.files + more_files) * _LINES_BYTES + (128 << 10)

    def needed_bytes(self) -> int:
        """Return the space that what is to be carried may take, names and lists included."""
        each = 2 * _LINES_BYTES + _CLUSTER_BYTES // 2
        return self.task_bytes + len(self.tasks) * each


class LeftBehind(NamedTuple):
    """A night with files that are safe only on this computer, and how many."""

    night: date
    files: int


def label_of(drive: OpenDrive, night: date) -> str:
    """Return what a progress line calls a night on a drive."""
    return f"{night.isoformat()} on {drive.name}"


def that_fit(drive: OpenDrive, plans: Iterable[NightPlan]) -> list[NightPlan]:
    """Plan the nights that there is room for on the drive, in their order; leave the others out.

    Room is counted as it will be when what dead runs left half written is gone. Raises OSError.
    """
    all_plans = list(plans)
    leftovers = sum(plan.leftover_bytes for plan in all_plans)
    free = max(drive.folder.free_bytes() + leftovers - RESERVE_BYTES, 0)
    planned: list[NightPlan] = []
    for plan in all_plans:
        needed = plan.needed_bytes()
        if needed > free:
            planned.append(plan.left_out(_too_large(plan, needed, free), needed - free))
        else:
            planned.append(plan)
            free -= needed
    return planned


def _too_large(plan: NightPlan, needed: int, free: int) -> DoesNotFit:
    room = size_told(free)
    needs = size_told(needed)
    happened = f"The night of {plan.night.isoformat()} needs {needs}, and there is room for {room}"
    return DoesNotFit(happened, plan.drive.root, "Make room on the drive, or send to another one.")


# The bag as it lies on the drive


def unfinished_nights(folder: PinnedFolder) -> frozenset[date]:
    """Return the nights on a drive that an earlier run did not bring to their end. Raises OSError."""
    nights = (_as_night(name) for name, is_folder in folder.names("") if is_folder)
    return frozenset(n for n in nights if n is not None and ListedBag(folder, n.isoformat()).unfinished)


def _as_night(name: str) -> date | None:
    try:
        night = date.fromisoformat(name)
    except ValueError:
        return None
    return night if night.isoformat() == name else None


def listed_bag(drive: OpenDrive, night: date, records: Records) -> ListedBag:
    """Look at a night's bag on a drive; its list comes from the records where they are of the same bag.

    Raises OSError.
    """
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


def remember_compared(plan: NightPlan, records: Records) -> None:
    """Keep what a comparison has found of a night with nothing to do. Raises OSError."""
    fingerprint = plan.listed.fingerprint()
    memory = records.remember_bag(plan.drive.mark.id, plan.night)
    try:
        for entry in plan.listed.entries():
            memory.add(entry, entry.path not in plan.not_own)
        if fingerprint is not None:
            memory.keep(fingerprint)
    except EntryError:
        return  # the list was damaged since: the next run meets that
    finally:
        memory.drop()


class Present:
    """The files in the bag's folders and their sizes, listed once a folder: cheaper than a look at each."""

    def __init__(self, bag: ListedBag, drive: str, wrong: Mapping[str, str] | None = None) -> None:
        self._bag, self._drive, self._wrong = bag, drive, wrong or {}
        self._folders: dict[str, dict[str, int]] = {}

    def _size_of(self, path: str) -> int | None:
        folder, _, name = path.rpartition("/")
        sizes = self._folders.get(folder)
        if sizes is None:
            sizes = self._folders[folder] = self._bag.folder.sizes(f"{self._bag.path}/{folder}")
        return sizes.get(name)

    def has(self, known: Known) -> bool:
        """Return whether a listed file is there with its size, and was not read and found different."""
        return self._size_of(known.path) == known.size_bytes and known.path not in self._wrong

    def what_became_of(self, known: Known) -> Finding:
        """Return the finding of a listed file that is not there as it was."""
        where = f"{self._drive}/{self._bag.path}/{known.path}"
        size_bytes = self._size_of(known.path)
        if size_bytes is None:
            detail = "an earlier run proved it; it is to be carried again (nightferry check proves the rest)"
            return Finding(FindingKind.MISSING, detail, where)
        wrong = self._wrong.get(known.path, f"it has {size_bytes} bytes instead of {known.size_bytes}")
        detail = (
            f"an earlier run proved it, and {wrong}; it is to be carried again, and what is there kept in "
            f"{SET_ASIDE} (nightferry check proves the rest)"
        )
        return Finding(FindingKind.CHANGED, detail, where)


# The comparison


def plan_night(
    bag: ListedBag, night: date, files: Sequence[SourceFile], drive: OpenDrive, contents: SourceContents
) -> NightPlan:
    """Compare a night's files with its bag. Reads the drive; writes nothing. Raises OSError.

    A bag whose list was damaged is planned anew as a whole: what is left of it will be set aside.
    """
    left = {(entry.source, entry.original): known_of(entry) for entry in bag.left_whole().values()}
    unsure = list(_unsure(bag, files, left))
    contents.read(unsure, label_of(drive, night))
    copies = contents.copies_on(bag)
    copies.read(_unsure_copies(bag, unsure, contents), label_of(drive, night))
    plan = _Comparison(drive, night, bag, left, contents, copies).plan(files)
    if not plan.nothing_to_do and not bag.damage and not bag.holds():
        plan = _Comparison(drive, night, bag, {}, contents, copies).plan(files)
    if bag.damage:
        detail = f"{bag.damage}; the bag is set aside on the drive, and the night is carried anew"
        damaged = Finding(FindingKind.MALFORMED, detail, f"{drive.name}/{bag.path}")
        plan = replace(plan, noticed=(*plan.noticed, damaged))
    return plan


def _unsure(
    bag: ListedBag, files: Iterable[SourceFile], left: Mapping[Origin, Known]
) -> Iterator[SourceFile]:
    """Yield the files that the drive has by name, size and time, and perhaps from another computer."""
    if not left and not bag.older and all(known.own for known in bag.known.values()):
        return
    for file in files:
        origin = (file.source, file.path)
        versions = [*bag.versions(origin), *([left[origin]] if origin in left else [])]
        same = [known.own for known in versions if is_same(file, known)]
        if same and not any(same):
            yield file


def _unsure_copies(bag: ListedBag, files: Iterable[SourceFile], contents: SourceContents) -> Iterator[Known]:
    """Yield what the bag lists with the content of these sources: that it lies there is to be proven."""
    for file in files:
        for known in bag.versions((file.source, file.path)):
            if is_same(file, known) and contents.are_of(file, known):
                yield known
                break


def has_room_for(plan: NightPlan, task: Task) -> bool:
    """Return whether the drive has room for one more file of a night. Raises OSError."""
    room = plan.drive.folder.free_bytes() - RESERVE_BYTES
    return replace(plan, tasks=(task,)).needed_bytes() <= room


def is_same(file: SourceFile, known: Known) -> bool:
    """Return whether a source is as it was: by size and time, which is common practice, not proof.

    It is believed of what this computer has sent itself: see `comparing`.
    """
    return known.modified_ns == file.modified_ns and known.size_bytes == file.size_bytes and not known.growing


def is_as_carried(file: SourceFile, known: Known, contents: SourceContents) -> bool:
    """Return whether a source is as it was when this computer carried it: by size and time, else by content.

    A file that was copied back has another time, and so have all where a clock's zone is changed.
    """
    if is_same(file, known):
        return True
    may_be = known.own and not known.growing and known.size_bytes == file.size_bytes
    return may_be and contents.are(file, known.sha256)


@dataclass(slots=True)
class _Comparison:
    """Compares files with one bag, once. `left` is what an earlier run left whole there and unproven."""

    drive: OpenDrive
    night: date
    bag: ListedBag
    left: Mapping[Origin, Known]
    contents: SourceContents
    copies: DriveCopies
    tasks: list[Task] = field(default_factory=list)
    there: int = 0
    there_bytes: int = 0
    doubtful: dict[str, int] = field(default_factory=dict)
    lost: set[str] = field(default_factory=set)
    found_own: set[str] = field(default_factory=set)
    refused: list[Finding] = field(default_factory=list)
    noticed: list[Finding] = field(default_factory=list)

    def plan(self, files: Iterable[SourceFile]) -> NightPlan:
        """Make the plan. Raises OSError."""
        present = Present(self.bag, self.drive.name, self.copies.different)
        of_night = list(files)
        rest = [file for file in of_night if not self._is_there(file, present)]
        limits = self.drive.limits if rest else None
        for file in sorted(rest):
            self._plan_file(file, present, limits)
        doubt = self._doubt()
        lifted = self.doubtful if doubt is None else {}
        superseded = {task.path for task in self.tasks if task.older is not None}
        waiting = [known.size_bytes for known in self.left.values() if known.path not in superseded]
        every = itertools.chain(self.bag.known.values(), *self.bag.older.values(), self.left.values())
        return NightPlan(
            drive=self.drive,
            night=self.night,
            listed=self.bag,
            tasks=tuple(self.tasks),
            waiting=len(waiting),
            waiting_bytes=sum(waiting),
            there=self.there,
            there_bytes=self.there_bytes,
            there_from_medium=not self.doubtful,
            doubtful=frozenset(lifted),
            doubtful_bytes=sum(lifted.values()),
            doubt=doubt,
            frames=self._count_frames(of_night),
            lost=frozenset(self.lost),
            not_own=frozenset(known.path for known in every if not known.own) - self.found_own,
            compared=bool(self.found_own),
            leftover_bytes=leftover_bytes(self.bag) if self.bag.unfinished else 0,
            refused=tuple(self.refused),
            noticed=tuple(self.noticed),
        )

    def _doubt(self) -> Evidence | None:
        """Return why what was perhaps read from memory cannot be read from the medium now, if that is so."""
        if not self.doubtful:
            return None
        evidence = evidence_of_reading(self.bag.folder, self.bag.at(TAG_MANIFEST))
        return None if evidence.read_back is ReadBack.MEDIUM else evidence

    def _count_frames(self, files: Sequence[SourceFile]) -> int:
        """Count the frames among the night's files, and among those that wait and have no source any more."""
        paths = [file.path for file in files]
        if self.left:
            present = {(file.source, file.path) for file in files}
            paths += [path for source, path in self.left if (source, path) not in present]
        return sum(map(counts_as_a_frame, paths))

    def _is_there(self, file: SourceFile, present: Present) -> bool:
        """Count a file that the bag has as it is; most files of most runs are."""
        origin = (file.source, file.path)
        known = self.bag.known.get(origin)
        if known is None:
            return False
        versions = (known,) if origin not in self.bag.older else self.bag.versions(origin)
        for known in versions:
            is_known = known.own or known.path in self.copies.equal
            if is_known and is_as_carried(file, known, self.contents) and present.has(known):
                if not known.own:
                    self.found_own.add(known.path)
                self.there += 1
                self.there_bytes += known.size_bytes
                if self.copies.equal.get(known.path, known.read_back) != _FROM_MEDIUM:
                    self.doubtful[known.path] = known.size_bytes
                return True
        return False

    def _plan_file(self, file: SourceFile, present: Present, limits: FileSystemLimits | None) -> None:
        origin = (file.source, file.path)
        left, known = self.left.get(origin), _own_first(self.bag.versions(origin))
        if left is not None and is_same(file, left) and self.contents.are_of(file, left):
            self.found_own.add(left.path)
        elif known is not None and not present.has(known):
            self.lost.add(known.path)
            self.noticed.append(present.what_became_of(known))
            self.tasks.append(Task(file, self.night, known.path))
        elif (older := left or known) is not None:
            self.tasks.append(Task(file, self.night, older.path, older))
        else:
            planned = plan_new(file, self.night, self.bag, limits)
            if isinstance(planned, Task):
                self.tasks.append(planned)
            else:
                self.refused.append(planned)


def plan_new(
    file: SourceFile, night: date, bag: ListedBag, limits: FileSystemLimits | None
) -> Task | Finding:
    """Plan a file that the bag has nothing of; return why the drive cannot hold it, where that is so.

    Raises OSError.
    """
    wanted = f"{PAYLOAD}/{file.source}/{portable_path(file.path)}"
    reason = None if limits is None else cannot_hold(limits, f"{bag.path}/{wanted}", file.size_bytes)
    if reason is not None:
        return Finding(FindingKind.TOO_LARGE, reason, f"{file.source}/{file.path}")
    path = bag.claim(wanted)
    findings: tuple[Finding, ...] = ()
    if path != f"{PAYLOAD}/{file.source}/{file.path}":
        findings = (Finding(FindingKind.NAME_CHANGED, f"stored as {path}"),)
    return Task(file, night, path, findings=findings)


def _own_first(versions: Sequence[Known]) -> Known | None:
    """Return the version that a source may have grown from: this computer's own, where there is one."""
    return next((known for known in versions if known.own), versions[0] if versions else None)
