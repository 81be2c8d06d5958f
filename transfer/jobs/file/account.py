"""What became of each file, counted: for the screen, for `--json`, and for the word that goes back home."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from manifests.bags.paths import PAYLOAD
from manifests.findings import Finding, FindingKind
from manifests.frames.frame import FrameType
from manifests.index.schema import MOST_EXPOSURE_S
from transfer.archive.layout import NIGHTS
from transfer.jobs.file.items import Delivery, Refusal
from transfer.jobs.file.planning import Planned, There


class FileState(StrEnum):
    """What became of one file."""

    FILED = "filed"
    ALREADY_THERE = "already there"
    REFUSED = "refused"
    WOULD_BE_FILED = "would be filed"


class ToldFile(NamedTuple):
    """One file as `--json` lists it: where it was, where in the archive it is, and what became of it."""

    path: str
    to: str
    state: FileState


class Filed(NamedTuple):
    """A file that is in the archive: its path in its bag on the drive, and where it is now."""

    path: str
    sha256: str
    size_bytes: int
    source: str
    original: str
    to: str


@dataclass(slots=True)
class Sum:
    """What went to one folder of the archive: files, bytes, and the lights' exposures in seconds."""

    files: int = 0
    size_bytes: int = 0
    exposure_s: float = 0.0


@dataclass(slots=True)
class Account:
    """What became of one delivery. `listing` keeps every file, and `filed` those of a bag that is to hear.

    `acknowledged` says whether the drive carries the archive's word home; `unanswered` why it does not.
    `has_left`: the drive left while it was being read. `cut_short`: there may be files that nobody looked at.
    """

    delivery: Delivery
    listing: bool
    filed: int = 0
    already_there: int = 0
    refused: int = 0
    would_be_filed: int = 0
    filed_bytes: int = 0
    acknowledged: bool = False
    unanswered: str = ""
    has_left: bool = False
    cut_short: bool = False
    sums: dict[str, Sum] = field(default_factory=lambda: defaultdict(Sum))
    files: list[ToldFile] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    home: list[Filed] = field(default_factory=list)

    def take_filed(self, planned: Planned) -> None:
        """Count a file that is in the archive now, and proven."""
        self.filed += 1
        self.filed_bytes += planned.item.size_bytes
        self.findings += [Finding(one.kind, one.detail, planned.item.shown) for one in planned.said]
        self._sum(planned, planned.claimed)
        self._in_archive(planned, f"{planned.bag}/{planned.claimed}", FileState.FILED)

    def take_all_there(self, files: Iterable[There]) -> None:
        """Count files that the archive had."""
        for planned, to in files:
            self.already_there += 1
            self._in_archive(planned, to, FileState.ALREADY_THERE)

    def _in_archive(self, planned: Planned, to: str, state: FileState) -> None:
        item, answer = planned.item, self.delivery.acknowledgeable
        self._list(ToldFile(item.shown, to, state))
        if answer is not None and item.sha256 is not None:
            path = item.opened.removeprefix(f"{answer.bag}/")
            self.home.append(Filed(path, item.sha256, item.size_bytes, item.file.source, item.file.path, to))

    def see_whether_the_drive_left(self) -> None:
        """Note that the drive is no longer where it was, if so: not each of its files is at fault."""
        below = self.delivery.below
        if below is not None and not self.has_left and not below.still_there():
            self.has_left = True
            detail = "the drive left while it was being read"
            self.delivery.faults.append(Finding(FindingKind.VANISHED, detail, str(self.delivery.root)))

    def take_planned(self, planned: Planned) -> None:
        """Count a file that would be filed."""
        self.would_be_filed += 1
        self._sum(planned, planned.path)
        self._list(ToldFile(planned.item.shown, planned.wanted, FileState.WOULD_BE_FILED))
        self.findings += [Finding(one.kind, one.detail, planned.item.shown) for one in planned.findings]

    def take_all_refused(self, refusals: Iterable[Refusal]) -> None:
        """Count files that are not filed."""
        for refusal in refusals:
            self.refused += 1
            self.findings.append(refusal.finding)
            self._list(ToldFile(refusal.shown, "", FileState.REFUSED))

    def _sum(self, planned: Planned, path: str) -> None:
        item = planned.item
        folder = path.rpartition("/")[0]
        where = planned.bag if planned.bag.startswith(f"{NIGHTS}/") else f"{planned.bag}/{folder}"
        total = self.sums[where.removesuffix(f"/{PAYLOAD}")]
        total.files += 1
        total.size_bytes += item.size_bytes
        if item.frame is not None and item.frame.frame_type is FrameType.LIGHT:
            exposure_s = item.frame.exposure_s or 0.0
            total.exposure_s += exposure_s if 0 < exposure_s <= MOST_EXPOSURE_S else 0.0

    def _list(self, told: ToldFile) -> None:
        if self.listing:
            self.files.append(told)

    @property
    def whole(self) -> bool:
        """Whether every file of the delivery is in the archive, and nothing about it is in doubt."""
        done = not self.refused and not self.would_be_filed and not self.cut_short
        return done and not self.delivery.faults
