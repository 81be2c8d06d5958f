"""Checking the bags at or below some paths, or files of archives that are due. Nothing is written."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from manifests.bags.bag import Bag, NotABag, find_bags, read_bag
from manifests.bags.bag_finding import BeingLetGo
from manifests.bags.digests import Block
from manifests.bags.paths import PAYLOAD
from manifests.bags.quick import quick_verify
from manifests.bags.verify import FileRead, Verification, always, expected_bytes, verify
from manifests.findings import Finding, FindingKind
from transfer.archive.rereading import (
    Due,
    Part,
    Readings,
)
from transfer.engine.medium import Evidence, ReadBack, drive_has_left
from transfer.engine.medium.looking import HERE, Spelling
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded, nobody
from transfer.jobs.check.outcome import CheckedBag, CheckOutcome
from transfer.words import counted

Keep = Callable[[Path, Readings], Iterable[Finding]]


def keep_nothing(_bag: Path, _readings: Readings) -> tuple[Finding, ...]:
    """Keep nothing of what was read of a bag."""
    return ()


class Reader(Protocol):
    """A bag opened for reading: its files' blocks, and the evidence that they come from the medium."""

    def read(self, path: Path) -> Iterator[Block]:
        """Read one file in order. Raises OSError."""

    def evidence(self) -> Evidence:
        """Return the evidence that all that was read came from the medium."""

    def close(self) -> None:
        """Close the bag."""


def check(
    paths: Sequence[Path],
    *,
    quick: bool = False,
    reader: Callable[[Path], Reader],
    listen: Listener = nobody,
    go_on: Callable[[], bool] = always,
    spelling: Spelling = HERE,
    keep: Keep = keep_nothing,
) -> CheckOutcome:
    """Check every bag at or below each path; a path inside a bag stands for that whole bag.

    `reader` opens a bag for reading from where it is to be proven. A quick check compares presence, size
    and time only. Ends early, in order, when `go_on` says so. No problem of a bag or a drive is raised.
    The system is asked for each path, and for all below it, in its own `spelling`. `keep` is told what was
    read of each bag, by the path that a person sees.
    """
    search = _Search(spelling)
    checking = _Checking(quick, reader, listen, go_on, keep)
    bags: list[CheckedBag] = []
    stopped = False
    for path in paths:
        for folder in search.bags(path):
            stopped = not go_on()
            if stopped:
                break
            bags.append(checking.bag(folder, Path(spelling.told(str(folder)))))
            if bags[-1].drive_left:  # so nothing else at this path can be looked at either
                break
        if stopped:
            break
    return CheckOutcome(
        quick=quick,
        bags=tuple(bags),
        not_there=tuple(search.not_there),
        without_bag=tuple(search.without_bag),
        findings=tuple(search.findings),
        being_let_go=tuple(search.being_let_go),
        stopped_early=stopped or not all(bag.verification.complete for bag in bags),
    )


def check_due(
    archives: Mapping[Path, Due],
    *,
    reader: Callable[[Path], Reader],
    listen: Listener,
    go_on: Callable[[], bool],
    has_time: Callable[[], bool],
    keep: Keep,
) -> CheckOutcome:
    """Check the files of archives (by their folders) that are due, in order, as long as there is time.

    Ends early, in order, when `go_on` says so; that time is over is the end that was asked for. One file is
    read in any case, so that the shortest of runs gets on.
    """
    checking = _Checking(False, reader, listen, lambda: go_on() and has_time(), keep)
    bags: dict[Path, CheckedBag] = {}
    left = sum(len(part.paths) for each in archives.values() for part in each.parts)
    for root, part in _in_order(archives):
        if not go_on() or (bags and not has_time()):
            break
        folder = root / part.bag
        checked = checking.bag(folder, folder, part.paths)
        left -= checked.files_read
        bags[folder] = checked if folder not in bags else bags[folder].and_then(checked)
        if checked.drive_left:
            break
    stopped = bool(left) and not go_on()
    return CheckOutcome(
        quick=False,
        bags=tuple(each.ended(complete=not stopped) for each in bags.values()),
        stopped_early=stopped,
        not_due=sum(each.not_due for each in archives.values()),
        still_due=left,
    )


def _in_order(archives: Mapping[Path, Due]) -> list[tuple[Path, Part]]:
    parts = [(root, part) for root, each in archives.items() for part in each.parts]
    return sorted(parts, key=lambda one: one[1].last)


class _Search:
    """Finds the bags of all paths, each bag once, and keeps what could not be looked at."""

    def __init__(self, spelling: Spelling) -> None:
        self._spelling = spelling
        self.not_there: list[Path] = []
        self.without_bag: list[Path] = []
        self.findings: list[Finding] = []
        self.being_let_go: list[Path] = []
        self._seen: set[Path] = set()

    def bags(self, path: Path) -> Iterator[Path]:
        """Return the folder of each bag at or below a path, as the system is to be asked for it."""
        asked = Path(self._spelling.asked(str(path)))

        def could_not_look(folder: Path, error: OSError) -> None:
            if drive_has_left(error) or _device_of(asked) is None:
                raise error
            self._could_not_look(folder, error)

        found, before = False, len(self.findings) + len(self.being_let_go)
        try:
            for folder in find_bags(asked, could_not_look):
                found = True
                yield from self._if_new(folder)
        except OSError as error:
            self._could_not_look(path, error)
            self.not_there.append(path)
        else:
            if not found and len(self.findings) + len(self.being_let_go) == before:
                self.without_bag.append(path)

    def _if_new(self, folder: Path) -> Iterator[Path]:
        real = folder.resolve()
        if real not in self._seen:
            self._seen.add(real)
            yield folder

    def _could_not_look(self, folder: Path, error: OSError) -> None:
        told = self._spelling.told(str(folder))
        if isinstance(error, BeingLetGo):
            self.being_let_go.append(Path(told))
            return
        self.findings.append(Finding(FindingKind.UNREADABLE, error.strerror or str(error), told))


@dataclass(frozen=True, slots=True)
class _Checking:
    """Checks bag after bag, all in the same way."""

    quick: bool
    reader: Callable[[Path], Reader]
    listen: Listener
    go_on: Callable[[], bool]
    keep: Keep

    def bag(self, folder: Path, told: Path, only: Collection[str] | None = None) -> CheckedBag:
        """Check the bag in a folder, which a person sees as the path `told`; or `only` some of its files."""
        device, began_utc = _device_of(folder), datetime.now(UTC)
        evidence, files = None, list[FileRead]()
        not_kept: tuple[Finding, ...] = ()
        try:
            bag = read_bag(folder)
            if self.quick:
                verified = quick_verify(bag)
            else:
                with contextlib.closing(self.reader(folder)) as reading:
                    verified = self._verified(bag, reading, str(told), only, files.append)
                    evidence = reading.evidence()
        except (NotABag, OSError):
            gone = Finding(FindingKind.UNREADABLE, "it was a bag when it was found, and cannot be read now")
            verified = Verification(told, quick=self.quick, findings=(gone,))
        verified = replace(verified, path=told)
        left = bool(verified.findings) and (device is None or _device_of(folder) != device)
        if left:
            return CheckedBag(_without_a_drive(verified), evidence, drive_left=True, files_read=len(files))
        missing = [finding.path for finding in verified.missing]
        if evidence is not None and (files or missing):
            from_medium = evidence.read_back is ReadBack.MEDIUM
            not_kept = tuple(self.keep(told, Readings(files, missing, began_utc, from_medium)))
        lost = len(missing if only is None else set(missing).intersection(only))
        # Where no file was read, nothing says from where one would have been.
        backed = evidence if files else None
        return CheckedBag(verified, backed, files_read=len(files) + lost, not_kept=not_kept)

    def _verified(
        self,
        bag: Bag,
        reading: Reader,
        what: str,
        only: Collection[str] | None,
        on_file: Callable[[FileRead], None],
    ) -> Verification:
        size_bytes = expected_bytes(bag) if only is None else _size_bytes(bag.path, only)
        self.listen(PhaseBegan(Phase.CHECKING, what, size_bytes))
        verified = verify(
            bag,
            reading.read,
            lambda n: self.listen(BytesDone(Phase.CHECKING, what, n)),
            self.go_on,
            only,
            on_file,
        )
        self.listen(PhaseEnded(Phase.CHECKING, what))
        return verified


def _size_bytes(folder: Path, paths: Iterable[str]) -> int:
    size_bytes = 0
    for path in paths:
        with contextlib.suppress(OSError):
            size_bytes += (folder / path).stat().st_size
    return size_bytes


def _device_of(path: Path) -> int | None:
    """Return the number of the device that a file or folder is on; None where it cannot be reached.

    A folder is listed as well: a driver in user space may have died while its answers are remembered.
    """
    try:
        facts = path.stat()
        if stat.S_ISDIR(facts.st_mode):
            with os.scandir(path) as entries:
                next(entries, None)
    except OSError:
        return None
    return facts.st_dev


def _without_a_drive(verified: Verification) -> Verification:
    """Replace what a drive that left could not show, file by file, by one finding."""
    unknown = (FindingKind.UNREADABLE, FindingKind.MISSING)
    kept = tuple(finding for finding in verified.findings if finding.kind not in unknown)
    detail = (
        f"the drive left while it was checked, after {counted(verified.verified, 'file')} of this bag: "
        "connect it and check again"
    )
    return replace(verified, findings=(*kept, Finding(FindingKind.UNREADABLE, detail, PAYLOAD)))
