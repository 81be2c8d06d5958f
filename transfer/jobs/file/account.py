"""What became of each file of a delivery, counted: for the screen, `--json` and the acknowledgement."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

from manifests.bags.acknowledgement import AcknowledgedFile
from manifests.bags.paths import PAYLOAD
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.stages import known_stage
from manifests.index.schema import MOST_EXPOSURE_S
from transfer.archive.layout import NIGHTS
from transfer.jobs.file.items import Delivery, Refusal
from transfer.jobs.file.planning import InArchive, Planned


class FileState(StrEnum):
    """What became of one file."""

    FILED = "filed"
    ALREADY_THERE = "already there"
    REFUSED = "refused"
    WOULD_BE_FILED = "would be filed"


class FileResult(NamedTuple):
    """One file as `--json` lists it: where it was, where in the archive it is, and what became of it."""

    path: str
    to: str
    state: FileState


class Sum(NamedTuple):
    """What went to one folder of the archive: files, bytes, and the raw lights' exposures in seconds."""

    files: int = 0
    size_bytes: int = 0
    exposure_s: float = 0.0

    def plus(self, other: Sum) -> Sum:
        """Return the sum of both."""
        exposure_s = self.exposure_s + other.exposure_s
        return Sum(self.files + other.files, self.size_bytes + other.size_bytes, exposure_s)


@dataclass(frozen=True, slots=True)
class DeliveryResult:
    """What became of one delivery.

    `whole`: every file is in the archive, and nothing about the delivery is in doubt. `acknowledged`: the
    drive carries the archive's acknowledgement home; `unanswered` says why it does not. `has_left`: the drive
    left while it was being read. `files` is empty unless they were asked for, `sums` go by the folder in the
    archive. `faults` are the findings for which the delivery cannot be relied on.
    """

    delivery: Delivery
    filed: int
    already_there: int
    refused: int
    would_be_filed: int
    filed_bytes: int
    whole: bool
    acknowledged: bool
    unanswered: str
    has_left: bool
    sums: Mapping[str, Sum]
    files: tuple[FileResult, ...]
    findings: tuple[Finding, ...]
    faults: tuple[Finding, ...]


class Account:
    """Counts what becomes of one delivery while it is filed. `listing` keeps every file.

    `acknowledgeable_files` are the files of a bag that waits for an acknowledgement; `damaged` says, by path
    where they were opened, what is wrong with files that are not what their bag lists.
    """

    def __init__(self, delivery: Delivery, listing: bool) -> None:
        self.delivery = delivery
        self.acknowledgeable_files: list[AcknowledgedFile] = []
        self.damaged: dict[str, str] = {}
        self._listing = listing
        self._filed = self._already_there = self._refused = self._would_be_filed = self._filed_bytes = 0
        self._acknowledged = False
        self._unanswered = ""
        self._has_left = False
        self._cut_short = False
        self._sums: dict[str, Sum] = defaultdict(Sum)
        self._files: list[FileResult] = []
        self._findings: list[Finding] = []
        self._faults: list[Finding] = list(delivery.faults)

    # Files

    def count_filed(self, placed: InArchive, read_back_utc: datetime | None) -> None:
        """Count a file that is in the archive now, and proven: it was last read back at `read_back_utc`."""
        item = placed.planned.item
        self._filed += 1
        self._filed_bytes += item.size_bytes
        self._findings += [Finding(one.kind, one.detail, item.shown) for one in placed.findings]
        self._add(placed.planned, placed.bag, placed.path)
        self._in_archive(placed, FileState.FILED, read_back_utc)

    def count_there(self, placed: InArchive, read_back_utc: datetime | None) -> None:
        """Count a file that the archive had."""
        self._already_there += 1
        self._in_archive(placed, FileState.ALREADY_THERE, read_back_utc)

    def _in_archive(self, placed: InArchive, state: FileState, read_back_utc: datetime | None) -> None:
        item, bag = placed.planned.item, self.delivery.acknowledgeable
        self._list(FileResult(item.shown, placed.to, state))
        if bag is not None and item.sha256 is not None:
            path, file = item.opened.removeprefix(f"{bag.bag}/"), item.file
            self.acknowledgeable_files.append(
                AcknowledgedFile(
                    path=path,
                    sha256=item.sha256,
                    size_bytes=item.size_bytes,
                    source=file.source,
                    original=file.path,
                    to=placed.to,
                    read_back_utc=read_back_utc,
                )
            )

    def count_planned(self, planned: Planned) -> None:
        """Count a file that would be filed."""
        self._would_be_filed += 1
        self._add(planned, planned.bag, planned.path)
        self._list(FileResult(planned.item.shown, planned.wanted, FileState.WOULD_BE_FILED))
        self._findings += [Finding(one.kind, one.detail, planned.item.shown) for one in planned.findings]

    def count_refused(self, refusals: Iterable[Refusal]) -> None:
        """Count files that are not filed."""
        for refusal in refusals:
            self._refused += 1
            self._findings.append(refusal.finding)
            if refusal.damaged:
                self.damaged[refusal.damaged] = refusal.finding.detail
            self._list(FileResult(refusal.shown, "", FileState.REFUSED))

    def _add(self, planned: Planned, bag: str, path: str) -> None:
        item = planned.item
        where = bag if bag.startswith(f"{NIGHTS}/") else f"{bag}/{path.rpartition('/')[0]}"
        where = where.removesuffix(f"/{PAYLOAD}")
        self._sums[where] = self._sums[where].plus(Sum(1, item.size_bytes, _counted_s(item.frame)))

    def _list(self, result: FileResult) -> None:
        if self._listing:
            self._files.append(result)

    # The delivery

    def note(self, findings: Iterable[Finding]) -> None:
        """Add findings about the delivery as a whole."""
        self._findings += findings

    def note_cut_short(self) -> None:
        """Note that there may be files that were not looked at."""
        self._cut_short = True

    def look_whether_the_drive_left(self) -> None:
        """Look whether the drive is still where it was; where it left, not each of its files is at fault."""
        below = self.delivery.below
        if below is not None and not self._has_left and not below.still_there():
            self._has_left = True
            detail = "the drive left while it was being read"
            self._faults.append(Finding(FindingKind.VANISHED, detail, str(self.delivery.root)))

    def note_acknowledged(self) -> None:
        """Note that the drive carries the archive's acknowledgement."""
        self._acknowledged = True

    def note_unanswered(self, why: str) -> None:
        """Note why the acknowledgement could not be written."""
        self._unanswered = why

    @property
    def whole(self) -> bool:
        """Whether every file of the delivery is in the archive, and nothing about it is in doubt."""
        return not (self._refused or self._would_be_filed or self._cut_short or self._faults)

    def result(self) -> DeliveryResult:
        """Return how things stand now."""
        return DeliveryResult(
            delivery=self.delivery,
            filed=self._filed,
            already_there=self._already_there,
            refused=self._refused,
            would_be_filed=self._would_be_filed,
            filed_bytes=self._filed_bytes,
            whole=self.whole,
            acknowledged=self._acknowledged,
            unanswered=self._unanswered,
            has_left=self._has_left,
            sums=dict(self._sums),
            files=tuple(self._files),
            findings=tuple(self._findings),
            faults=tuple(self._faults),
        )


def _counted_s(frame: Frame | None) -> float:
    """Return the exposure that counts for the hours of a target: of raw lights only."""
    if frame is None or frame.frame_type is not FrameType.LIGHT or known_stage(frame) is not Stage.RAW:
        return 0.0
    exposure_s = frame.exposure_s or 0.0
    return exposure_s if 0 < exposure_s <= MOST_EXPOSURE_S else 0.0
