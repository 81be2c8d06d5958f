"""The job: prove every bag at or below some paths again. It writes nothing, anywhere."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Protocol

from manifests.bags.bag import Bag, NotABag, find_bags, read_bag
from manifests.bags.bag_finding import BeingLetGo
from manifests.bags.digests import Block
from manifests.bags.paths import PAYLOAD, TAG_MANIFEST
from manifests.bags.quick import quick_verify
from manifests.bags.verify import Verification, always, expected_bytes, verify
from manifests.findings import Finding, FindingKind
from transfer.engine.drive import read_mark
from transfer.engine.medium import Evidence, ReadBack, drive_has_left
from transfer.engine.medium.looking import HERE, Spelling
from transfer.engine.records import Records
from transfer.errors import ExitCode
from transfer.events import BytesDone, Listener, Phase, PhaseBegan, PhaseEnded, nobody
from transfer.words import counted


class Reader(Protocol):
    """A bag opened for reading: its files' blocks, and the evidence that they come from the medium."""

    def read(self, path: Path) -> Iterator[Block]:
        """Read one file in order. Raises OSError."""

    def evidence(self) -> Evidence:
        """Return the evidence that all that was read came from the medium."""

    def close(self) -> None:
        """Close the bag."""


@dataclass(frozen=True, slots=True)
class CheckedBag:
    """One checked bag; `evidence` says where it was read from, None where it was not read.

    `drive_left`: the bag's folder was gone before the check was done.
    """

    verification: Verification
    evidence: Evidence | None = None
    drive_left: bool = False

    @property
    def from_medium(self) -> bool:
        """Whether all that was read of the bag came from the medium."""
        return self.evidence is not None and self.evidence.read_back is ReadBack.MEDIUM

    def findings(self) -> list[Finding]:
        """Return the bag's findings with whole paths."""
        folder = self.verification.path
        return [replace(finding, path=str(folder / finding.path)) for finding in self.verification.findings]

    def as_json(self) -> dict[str, Any]:
        """Return the bag as `--json` lists it."""
        told = self.verification.as_json()
        if self.evidence is not None:
            told |= {"read_back": self.evidence.read_back.value, "read_back_how": self.evidence.method}
        return told


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """The result of checking some paths.

    `not_there` are paths that do not exist or cannot be reached, `without_bag` those with no bag at, below
    or around them. `findings` are about folders on the way to bags; each bag's own are in `bags`.
    `being_let_go` are nights on drives that a run has begun to let go: what is missing there is no damage.
    `stopped_early`: there is more at these paths than was looked at.
    """

    quick: bool
    bags: tuple[CheckedBag, ...]
    not_there: tuple[Path, ...] = ()
    without_bag: tuple[Path, ...] = ()
    findings: tuple[Finding, ...] = ()
    being_let_go: tuple[Path, ...] = ()
    stopped_early: bool = False

    @property
    def exit_code(self) -> ExitCode:
        """Return the exit code. A bag that is not whole counts more than a path that is not there."""
        if self.stopped_early:
            return ExitCode.STOPPED_EARLY
        if not all(bag.verification.holds for bag in self.bags):
            return ExitCode.SOMETHING_UNPROVEN
        if self.not_there or self.without_bag:
            return ExitCode.NOT_THERE
        return ExitCode.SOMETHING_UNPROVEN if self.findings else ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the result in one line."""
        if self.exit_code is ExitCode.STOPPED_EARLY:
            return f"Stopped early; {self._counted} so far."
        if self.exit_code is ExitCode.NOT_THERE:
            gone = [f"{path} is not there" for path in self.not_there]
            return "; ".join(gone + [f"no bag at or below {path}" for path in self.without_bag]) + "."
        if self.exit_code is ExitCode.SOMETHING_UNPROVEN:
            return f"{self._counted}; {counted(len(self.all_findings()), 'finding')} to look at."
        return f"{self._counted}; nothing is missing or different."

    @property
    def _counted(self) -> str:
        bags = counted(len(self.bags), "bag")
        if self.quick:
            agreed = counted(sum(bag.verification.agreed for bag in self.bags), "file")
            return f"Quick check, nothing was read: {agreed} in {bags} as large and as old as listed"
        files = counted(sum(bag.verification.verified for bag in self.bags), "file")
        if any(each.evidence is not None and not each.from_medium for each in self.bags):
            return f"{files} in {bags} compared, but perhaps from memory"
        return f"{files} in {bags} proven"

    def all_findings(self) -> list[Finding]:
        """Return every finding, with whole paths."""
        found = list(self.findings)
        for bag in self.bags:
            found += bag.findings()
        return found

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        return {
            "command": "check",
            "exit": int(self.exit_code),
            "message": self.message,
            "quick": self.quick,
            "bags": [bag.as_json() for bag in self.bags],
            "not_there": [str(path) for path in self.not_there],
            "without_bag": [str(path) for path in self.without_bag],
            "being_let_go": [str(path) for path in self.being_let_go],
            "findings": [finding.as_json() for finding in self.all_findings()],
        }


def remember_checked(outcome: CheckOutcome, records: Records) -> None:
    """Keep in the records which nights on prepared drives were read again and hold, as they are now.

    Such a night may leave its drive by hand without being asked for again. Never raises.
    """
    for bag in outcome.bags:
        folder = bag.verification.path
        if not bag.verification.holds or not bag.from_medium:
            continue
        with contextlib.suppress(OSError, ValueError):
            night = date.fromisoformat(folder.name)
            mark = read_mark(folder.parent)
            text = (folder / TAG_MANIFEST).read_bytes().decode("utf-8", "backslashreplace")
            if mark is not None:
                records.keep_checked(mark.id, night, text)


def check(
    paths: Sequence[Path],
    *,
    quick: bool = False,
    reader: Callable[[Path], Reader],
    listen: Listener = nobody,
    go_on: Callable[[], bool] = always,
    spelling: Spelling = HERE,
) -> CheckOutcome:
    """Check every bag at or below each path; a path inside a bag stands for that whole bag.

    `reader` opens a bag for reading from where it is to be proven. A quick check compares presence, size
    and time only. Ends early, in order, when `go_on` says so. No problem of a bag or a drive is raised.
    The system is asked for each path, and for all below it, in its own `spelling`.
    """
    search = _Search(spelling)
    checking = _Checking(quick, reader, listen, go_on)
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

    def bag(self, folder: Path, told: Path) -> CheckedBag:
        """Check the bag in a folder, which a person sees as the path `told`."""
        device = _device_of(folder)
        evidence = None
        try:
            bag = read_bag(folder)
            if self.quick:
                verified = quick_verify(bag)
            else:
                with contextlib.closing(self.reader(folder)) as reading:
                    verified = self._verified(bag, reading, str(told))
                    evidence = reading.evidence()
        except (NotABag, OSError):
            gone = Finding(FindingKind.UNREADABLE, "it was a bag when it was found, and cannot be read now")
            verified = Verification(told, quick=self.quick, findings=(gone,))
        verified = replace(verified, path=told)
        left = bool(verified.findings) and (device is None or _device_of(folder) != device)
        return CheckedBag(_without_a_drive(verified) if left else verified, evidence, left)

    def _verified(self, bag: Bag, reading: Reader, what: str) -> Verification:
        self.listen(PhaseBegan(Phase.CHECKING, what, expected_bytes(bag)))
        verified = verify(
            bag, reading.read, lambda n: self.listen(BytesDone(Phase.CHECKING, what, n)), self.go_on
        )
        self.listen(PhaseEnded(Phase.CHECKING, what))
        return verified


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
