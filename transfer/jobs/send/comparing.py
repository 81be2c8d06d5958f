"""A night's files compared with its bag on a drive: what is there, what waits, and what is to be carried."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from manifests.bags.paths import PAYLOAD, TAG_MANIFEST
from manifests.bags.stored_names import portable_path
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import counts_as_a_frame
from transfer.engine.bag.listed import Known, ListedBag, Origin, known_of
from transfer.engine.bag.readback import evidence_of_reading
from transfer.engine.copy.task import Task
from transfer.engine.drive import OpenDrive
from transfer.engine.limits import FileSystemLimits, cannot_hold
from transfer.engine.medium import Evidence, ReadBack
from transfer.engine.sources import SourceFile
from transfer.jobs.send.contents import DriveCopies, SourceContents
from transfer.jobs.send.drive_bag import Present
from transfer.jobs.send.plan import NightPlan, label_of

_FROM_MEDIUM = ReadBack.MEDIUM.value  # as entries have it


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


def is_same(file: SourceFile, known: Known) -> bool:
    """Return whether a source is as it was: by size and time, which is common practice, not proof.

    It is believed of what this computer has sent itself: see `contents`.
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
    refused_bytes: int = 0
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
            leftover_bytes=self.bag.leftover_bytes(),
            refused=tuple(self.refused),
            refused_bytes=self.refused_bytes,
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
                self.refused_bytes += file.size_bytes


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
