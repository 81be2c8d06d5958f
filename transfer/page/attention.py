"""What in the archive needs attention, and what was filed last: from its bags and its index."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple

from manifests.bags.kept_proofs import PROVEN
from manifests.bags.statements import read_statements
from manifests.findings import FindingKind
from manifests.frames.names.places import KnownTarget, same_field
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import frames
from manifests.index.holdings import BagRow
from manifests.index.opening import Index
from manifests.index.targets import TargetRow
from transfer.page.shown import NO_TARGET, night_page, target_page
from transfer.page.target import TargetPage
from transfer.words import counted

DAMAGE = (
    FindingKind.CHANGED,
    FindingKind.MISSING,
    FindingKind.UNREADABLE,
    FindingKind.MALFORMED,
    FindingKind.HEADER_UNREADABLE,
    FindingKind.DATA_CUT_SHORT,
    FindingKind.DATASUM_WRONG,
    FindingKind.COMPRESSION_DAMAGED,
)
_LISTED = 12
_FILED_LAST = 8


class Notice(NamedTuple):
    """One thing that needs attention, and the page that shows it, or nothing."""

    text: str
    page: str = ""


@dataclass(frozen=True, slots=True)
class Concern:
    """What needs attention for one reason; `more` are not listed. `step` is what to do."""

    title: str
    step: str
    notices: tuple[Notice, ...]
    more: int = 0


class Alone(NamedTuple):
    """Files of a night that one place alone has, of all archives and drives that are here."""

    night: date
    files: int
    place: str


class Filed(NamedTuple):
    """What was filed at one time: the day, how many files, and into which bags."""

    on: date
    files: int
    bags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BagProofs:
    """When a bag's files were read back: the oldest of their last readings, and how many have none.

    `filed` counts files by the day of their first reading.
    """

    bag: str
    oldest_utc: datetime | None
    without: int
    filed: dict[date, int] = field(default_factory=dict)


def proofs_of(root: Path, bags: Iterable[BagRow]) -> Iterator[BagProofs]:
    """Yield what each bag that is there says of its own readings; of one that cannot be read, nothing."""
    for bag in bags:
        if bag.absent:
            continue
        first: dict[str, datetime] = {}
        last: dict[str, datetime] = {}
        try:
            said = read_statements(root / bag.path, PROVEN).statements
        except OSError:
            continue
        for one in said:
            files = one.facts.get("files")
            for path in files if isinstance(files, dict) else ():
                first.setdefault(path, one.said_utc)
                last[path] = one.said_utc
        filed: dict[date, int] = {}
        for moment in first.values():
            filed[moment.date()] = filed.get(moment.date(), 0) + 1
        yield BagProofs(bag.path, min(last.values(), default=None), max(bag.files - len(last), 0), filed)


def filed_last(proofs: Iterable[BagProofs]) -> tuple[Filed, ...]:
    """Return the days on which something was filed, the last ones first."""
    by_day: dict[date, dict[str, int]] = {}
    for one in proofs:
        for day, files in one.filed.items():
            by_day.setdefault(day, {})[one.bag] = files
    days = sorted(by_day, reverse=True)[:_FILED_LAST]
    return tuple(Filed(day, sum(by_day[day].values()), tuple(sorted(by_day[day]))) for day in days)


def concerns(
    index: Index,
    bags: Sequence[BagRow],
    proofs: Sequence[BagProofs],
    targets: Sequence[TargetRow],
    since: datetime,
) -> Iterator[Concern]:
    """Yield what needs attention, the worst first; `since` is what counts as long ago."""
    yield from _concern(
        "Damaged or missing",
        "Run nightferry check on the archive; file the nights again from a drive that still has them.",
        [*_damaged_bags(bags), *_damaged_frames(index)],
    )
    yield from _concern(
        "Not read back for long",
        "Run nightferry check on the archive: only reading proves that a disk still has what it had.",
        _unproven(proofs, since),
    )
    yield from _concern(
        "Two names for one field",
        "Where they are one target, write both names into [targets].",
        _two_names(targets),
    )


def missing_calibration(pages: Iterable[TargetPage]) -> Iterator[Concern]:
    """Yield the targets that lack calibration frames."""
    notices = [
        Notice(
            f"{page.row.target or NO_TARGET}: no {_kinds(page)} frames fit some of its lights",
            target_page(page.row.target),
        )
        for page in pages
        if page.missing
    ]
    yield from _concern(
        "No matching calibration", "Each target's page says what is missing, and why.", notices
    )


def _kinds(page: TargetPage) -> str:
    return ", no ".join(dict.fromkeys(row.kind.value for row in page.missing))


def in_one_place(alone: Sequence[Alone], nights: Collection[date]) -> Iterator[Concern]:
    """Yield the nights of which some files are in one place only; where that is every night, in one line.

    `nights` are those of this archive; a drive may have others, which have no page.
    """
    files: dict[tuple[date, str], int] = {}
    for one in alone:
        files[one.night, one.place] = files.get((one.night, one.place), 0) + one.files
    places = {place for _, place in files}
    if len({night for night, _ in files}) >= len(nights) > 1 and len(places) == 1:
        notices = [
            Notice(
                f"all {len(nights)} nights: {counted(sum(files.values()), 'file')} in {places.pop()} alone"
            )
        ]
    else:
        notices = [
            Notice(
                f"{night}: {counted(count, 'file')} in {place} alone",
                night_page(night) if night in nights else "",
            )
            for (night, place), count in sorted(files.items(), reverse=True)
        ]
    step = "File them into another archive, or keep a drive that has them. What is not here is not counted."
    yield from _concern("In one place only", step, notices)


def _concern(title: str, step: str, notices: Sequence[Notice]) -> Iterator[Concern]:
    if notices:
        yield Concern(title, step, tuple(notices[:_LISTED]), max(len(notices) - _LISTED, 0))


def _damaged_bags(bags: Iterable[BagRow]) -> Iterator[Notice]:
    for bag in bags:
        if bag.absent:
            yield Notice(f"{bag.path} is not there, with {counted(bag.files, 'file')}")
        for finding in bag.findings:
            yield Notice(f"{bag.path}: {finding.kind.value} ({finding.detail or finding.path})")


def _damaged_frames(index: Index) -> Iterator[Notice]:
    """Return the frames with a finding of damage, by night and kind."""
    found: dict[tuple[date, FindingKind], int] = {}
    for row in frames(index, FrameQuery(findings=DAMAGE)):
        for kind in {one.kind for one in row.findings if one.kind in DAMAGE}:
            found[row.night, kind] = found.get((row.night, kind), 0) + 1
    for (night, kind), count in sorted(found.items(), reverse=True):
        yield Notice(f"{night}: {counted(count, 'frame')}, {kind.value}", night_page(night))


def _unproven(proofs: Iterable[BagProofs], since: datetime) -> list[Notice]:
    old = [one for one in proofs if one.oldest_utc is not None and one.oldest_utc < since]
    never = [one for one in proofs if one.without]
    return [
        *(
            Notice(f"{one.bag}: last read back on {one.oldest_utc:%Y-%m-%d}")
            for one in sorted(old, key=lambda one: (one.oldest_utc, one.bag))
        ),
        *(Notice(f"{one.bag}: no reading is kept of {counted(one.without, 'file')}") for one in never),
    ]


def _two_names(targets: Iterable[TargetRow]) -> list[Notice]:
    known = [
        KnownTarget(row.target, row.ra_deg, row.dec_deg, row.field_deg)
        for row in targets
        if row.target is not None and row.ra_deg is not None and row.dec_deg is not None
    ]
    return [
        Notice(
            f"{pair.first.name} and {pair.second.name} are {pair.separation_deg:.2f}° apart",
            target_page(pair.first.name),
        )
        for pair in same_field(known)
    ]
