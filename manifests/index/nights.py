"""The archive's nights: what each of them gave."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from operator import itemgetter
from sqlite3 import Row

from manifests.frames.frame import FrameType
from manifests.index.frame_query import SECONDS_PER_HOUR, Between
from manifests.index.opening import Index

_BY_NIGHT = """
SELECT night, is_frame, frame_type, target, filter,
    total(files) AS files, total(total_exposure_s) AS exposure_s,
    total(findings) AS findings, total(total_moon_illumination) AS moonlight, total(moons) AS moons,
    total(CASE WHEN bags.present THEN 0 ELSE files END) AS absent
FROM series JOIN bags ON bags.id = series.bag_id
WHERE night BETWEEN :first AND :last
GROUP BY night, is_frame, frame_type, target, filter
ORDER BY night, is_frame DESC, frame_type IS NOT 'light', frame_type, target, filter
"""


@dataclass(frozen=True, slots=True)
class NightPart:
    """The frames of one type, target and filter in a night."""

    frame_type: FrameType | None
    target: str | None
    filter: str | None
    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """The exposures' sum in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night. `exposure_s` is that of its lights alone; `parts` have them first.

    `logs` counts the files that are no frames, `findings` those of frames and logs. `moon_illumination`
    (0 to 1) is the mean over the frames for which it was computed. `absent_frames` are those of the frames
    whose bag is not there now.
    """

    night: date
    frames: int
    exposure_s: float
    parts: tuple[NightPart, ...]
    logs: int
    findings: int
    moon_illumination: float | None
    absent_frames: int

    @property
    def hours(self) -> float:
        """The lights' exposures in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


def nights(index: Index, within: Between[date] | None = None) -> Iterator[NightRow]:
    """Give the archive's nights in order, those of a range where one is given. Raises IndexFault."""
    first = (within and within.least) or date.min
    last = (within and within.most) or date.max
    rows = index.rows(_BY_NIGHT, {"first": first.isoformat(), "last": last.isoformat()})
    for night, of_night in groupby(rows, key=itemgetter("night")):
        yield _night_row(date.fromisoformat(night), list(of_night))


def _night_row(night: date, rows: list[Row]) -> NightRow:
    parts = tuple(_part(row) for row in rows if row["is_frame"])
    moons = sum(row["moons"] for row in rows)
    return NightRow(
        night=night,
        frames=sum(part.frames for part in parts),
        exposure_s=sum(part.exposure_s for part in parts if part.frame_type in (FrameType.LIGHT, None)),
        parts=parts,
        logs=int(sum(row["files"] for row in rows if not row["is_frame"])),
        findings=int(sum(row["findings"] for row in rows)),
        moon_illumination=sum(row["moonlight"] for row in rows) / moons if moons else None,
        absent_frames=int(sum(row["absent"] for row in rows if row["is_frame"])),
    )


def _part(row: Row) -> NightPart:
    frame_type = None if row["frame_type"] is None else FrameType(row["frame_type"])
    return NightPart(frame_type, row["target"], row["filter"], int(row["files"]), row["exposure_s"])
