"""What `send` did: plain facts that the screen, the receipt and `--json` all report."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from manifests.findings import Finding, FindingKind
from transfer.engine.medium import ReadBack
from transfer.errors import DoesNotFit, ExitCode, NightferryError
from transfer.jobs.send.not_taken import NotTaken
from transfer.jobs.send.plan import LeftBehind, NightPlan
from transfer.jobs.send.room import RoomMade
from transfer.words import counted

if TYPE_CHECKING:
    from manifests.bags.summary import Summary
    from transfer.engine.bag.open import OpenBag

_NOT_CARRIED = frozenset(
    {
        FindingKind.NOT_PROVEN,
        FindingKind.TOO_LARGE,
        FindingKind.VANISHED,
        FindingKind.LOCKED,
        FindingKind.UNREADABLE,
    }
)
_OF_ONE_DRIVE = frozenset({FindingKind.NOT_PROVEN, FindingKind.TOO_LARGE, FindingKind.WRITTEN_AGAIN})
_NIGHTS_NAMED = 12  # more are named by the first and the last


@dataclass(frozen=True, slots=True)
class NightOutcome:
    """One night on one drive: how many files belong there, how many of them are proven.

    `carried` and `carried_bytes` are this run's own. `read_back` is the weakest that any proof of the
    night rests on. `frames` of the files are images; `place` is where the drive is. `summary` is there
    where this run wrote the bag's lists. `failure` is what ended the work on the drive, `full` what it
    had no room for; `stopped` tells that the run's end came before files. `methods` say how copies were
    read back, or why perhaps from memory, and `remedies` what changes that. `proven_again` counts files
    that an earlier run compared, perhaps from memory, and this one read from the medium.
    """

    night: date
    drive: str
    files: int
    size_bytes: int
    proven: int
    proven_bytes: int
    carried: int
    carried_bytes: int
    read_back: ReadBack
    frames: int = 0
    place: str = ""
    methods: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()
    proven_again: int = 0
    summary: Summary | None = None
    findings: tuple[Finding, ...] = ()
    failure: NightferryError | None = None
    full: DoesNotFit | None = None
    stopped: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the night as `--json` prints it."""
        return {
            "night": self.night.isoformat(),
            "drive": self.drive,
            "files": self.files,
            "frames": self.frames,
            "bytes": self.size_bytes,
            "proven": self.proven,
            "read_back": self.read_back.value if self.proven else None,
            "read_back_how": list(self.methods),
            "carried": self.carried,
        }


def by_drive(nights: Iterable[NightOutcome]) -> dict[str, list[NightOutcome]]:
    """Sort nights by drive, under its name in quotes; of drives that have one name, the place is added."""
    drives: dict[tuple[str, str], list[NightOutcome]] = defaultdict(list)
    for night in nights:
        drives[night.drive, night.place].append(night)
    names = Counter(name for name, _ in drives)
    return {
        f"{name!r} at {place}" if names[name] > 1 else repr(name): of_drive
        for (name, place), of_drive in drives.items()
    }


def told_left_behind(left: Sequence[LeftBehind]) -> str:
    """Say in a line which files are safe only on the computer; empty where there are none."""
    if not left:
        return ""
    first, last = left[0].night.isoformat(), left[-1].night.isoformat()
    nights = ", ".join(each.night.isoformat() for each in left)
    if len(left) > _NIGHTS_NAMED:
        nights = f"from {first} to {last}"
    files = counted(sum(each.files for each in left), "file")
    what = f"{files} of {counted(len(left), 'night')} ({nights})"
    text = f"Not carried, and safe only on the imaging computer: {what}."
    return f"{text} To carry them: nightferry send --since {first}"


def night_outcome(
    plan: NightPlan,
    bag: OpenBag | None,
    summary: Summary | None,
    *,
    failure: NightferryError | None,
    full: DoesNotFit | None,
    stopped: bool,
    findings: Iterable[Finding],
) -> NightOutcome:
    """Say how one night stands on one drive. `bag` and `summary` are None where they are not there yet."""
    found = (*plan.noticed, *plan.refused, *findings)
    done = summary is not None or plan.nothing_to_do
    if not done:
        reason = failure or full
        why = "the run ended before" if reason is None else reason.happened
        found += tuple(_not_listed(plan, {each.path for each in found}, why))
    proven = _proven(plan, bag, found) if done else plan.there
    lifted = plan.doubtful & bag.proofs.proven if bag is not None else frozenset()
    carried, carried_bytes = (0, 0)
    if bag is not None and done:
        carried = bag.proofs.proven_count - len(lifted)
        carried_bytes = max(bag.proofs.proven_bytes - (plan.doubtful_bytes if lifted else 0), 0)
    return NightOutcome(
        night=plan.night,
        drive=plan.drive.name,
        files=plan.files,
        size_bytes=plan.size_bytes,
        proven=proven,
        proven_bytes=plan.size_bytes if done and proven == plan.files else plan.there_bytes + carried_bytes,
        carried=carried,
        carried_bytes=carried_bytes,
        read_back=_weakest(
            plan.there_from_medium or bool(lifted and lifted == plan.doubtful),
            bag is None or bag.proofs.all_from_medium,
        ),
        frames=plan.frames,
        place=str(plan.drive.root),
        proven_again=len(lifted),
        methods=_told(plan.doubt and plan.doubt.method, () if bag is None else bag.proofs.methods),
        remedies=_told(plan.doubt and plan.doubt.remedy, () if bag is None else bag.proofs.remedies),
        summary=summary,
        findings=found,
        failure=failure,
        full=full,
        stopped=stopped,
    )


def _proven(plan: NightPlan, bag: OpenBag | None, findings: Iterable[Finding]) -> int:
    """Count what is proven of a night that came to its end: never more than was seen to be."""
    unproven = len({found.path for found in findings if found.kind in _NOT_CARRIED})
    seen = plan.there + (0 if bag is None else bag.proofs.proven_count + len(bag.lists.same))
    if bag is not None:
        seen -= len(plan.doubtful)  # counted as there, and proven again or not
    return max(min(plan.files - unproven, seen), 0)


def _not_listed(plan: NightPlan, told: set[str], why: str) -> Iterator[Finding]:
    """Name what a night that came to no end was to carry: what became of it is not known."""
    for task in plan.tasks:
        where = f"{task.file.source}/{task.file.path}"
        if not told & {where, task.path}:
            yield Finding(FindingKind.NOT_PROVEN, why, where)


def _told(one: str | None, others: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted({*others, one or ""} - {""}))


def _weakest(*from_medium: bool) -> ReadBack:
    return ReadBack.MEDIUM if all(from_medium) else ReadBack.PERHAPS_MEMORY


def _on(drive: str, finding: Finding) -> Finding:
    """Name the drive in a finding about a copy; those about a source are the same for every drive."""
    if finding.kind not in _OF_ONE_DRIVE:
        return finding
    return replace(finding, detail=", ".join(filter(None, (finding.detail, f"on the drive {drive}"))))


@dataclass(frozen=True, slots=True)
class SendOutcome:
    """What one run of `send` did, on all drives.

    `began` and `ended` are aware. `left_behind` are nights with files that are safe only on this
    computer, the oldest first; `absent` the names of drives that are not there. `not_taken` are files that
    no pattern takes. `missed` says what of the sources was not looked at, or not taken, and may be frames;
    `lacking` what other drives of the run lack; `room` what was let go from drives to make it fit.
    `waiting` counts the files that no drive was there for, None where nobody could look. `kept_in` is the
    receipt on this computer.
    """

    exit_code: ExitCode
    message: str
    began: datetime
    ended: datetime
    nights: tuple[NightOutcome, ...] = ()
    findings: tuple[Finding, ...] = ()
    absent: tuple[str, ...] = ()
    left_behind: tuple[LeftBehind, ...] = ()
    not_taken: tuple[NotTaken, ...] = ()
    missed: str = ""
    lacking: tuple[str, ...] = ()
    waiting: int | None = 0
    kept_in: str = ""
    room: RoomMade = field(default_factory=RoomMade)
    next_step: str = ""

    @property
    def safe_to_pull(self) -> bool:
        """Whether the drives may be pulled with everything of these nights on them."""
        return self.exit_code is ExitCode.PROVEN

    @property
    def nothing_new(self) -> bool:
        """Whether all was on the drives and proven before this run, which then wrote nothing."""
        return self.exit_code is ExitCode.PROVEN and not any(night.carried for night in self.nights)

    @property
    def files_proven(self) -> int:
        """How many files are proven, each drive's counted."""
        return sum(night.proven for night in self.nights)

    @property
    def files_unproven(self) -> int | None:
        """How many files are not, each drive's counted; None where that is not known."""
        if not self.nights:
            return self.waiting
        return sum(night.files - night.proven for night in self.nights)

    @property
    def bytes_proven(self) -> int:
        """How many bytes are proven, each drive's counted."""
        return sum(night.proven_bytes for night in self.nights)

    def nights_passed_by(self) -> str:
        """Say what the run leaves on the computer, and how it is carried; empty where that is nothing."""
        return told_left_behind(self.left_behind)

    def passed_by(self) -> tuple[str, ...]:
        """Say what the run passed by: nights that it leaves, drives that lack something or are not there."""
        nights = (self.nights_passed_by(),) if self.left_behind else ()
        return (*nights, *self.other_drives())

    def other_drives(self) -> tuple[str, ...]:
        """Say which other drives lack something of this run, or are not there."""
        absent = (f"The drive {name!r} was not there: it has nothing of this run." for name in self.absent)
        return (*self.lacking, *absent)

    def all_findings(self) -> list[Finding]:
        """Return every finding once: of the sources, of the run, and in the entries."""
        found = [*self.findings, *(each.finding for each in self.not_taken)]
        drives = by_drive(self.nights)
        for drive, nights in drives.items():
            of_drive = [each for night in nights for each in night.findings]
            found += [_on(drive, each) for each in of_drive] if len(drives) > 1 else of_drive
            found += [each for night in nights if night.summary for each in night.summary.findings]
        return list(dict.fromkeys(found))

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        known = self.waiting is not None
        return {
            "command": "send",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [night.as_json() for night in self.nights],
            "files_proven": self.files_proven,
            "files_unproven": self.files_unproven,
            "bytes_proven": self.bytes_proven,
            "safe_to_pull": self.safe_to_pull,
            "drives_absent": list(self.absent),
            "made_room": self.room.as_json(),
            "nights_left_behind": [left.night.isoformat() for left in self.left_behind] if known else None,
            "files_left_behind": sum(left.files for left in self.left_behind) if known else None,
            "not_taken": [each.as_json() for each in self.not_taken],
            "findings": [finding.as_json() for finding in self.all_findings()],
        }
