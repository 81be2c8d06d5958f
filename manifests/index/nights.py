"""The archive's nights: what each of them gave."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from manifests.frames.frame import FrameType
from manifests.index.believing import TEXT, require_kinds
from manifests.index.frame_query import SECONDS_PER_HOUR, Between
from manifests.index.opening import Index
from manifests.index.statements import verdicts
from manifests.readings.verdicts import NightVerdict

# In the order of an index, which has all of this: nothing is sorted, no table is read.
_PARTS = """
SELECT night, frame_type, target, filter, files, total_exposure_s FROM series
WHERE is_frame = 1 AND night BETWEEN :first AND :last ORDER BY night, frame_type, target, filter
"""
_SUMS = """
SELECT night, sum(findings), sum(total_moon_illumination), sum(moons),
    sum(CASE WHEN bag_id IN (SELECT id FROM bags WHERE present = 0) THEN files ELSE 0 END)
FROM series WHERE is_frame = 1 AND night BETWEEN :first AND :last GROUP BY night
"""
_LOGS = """
SELECT night, sum(files), sum(findings) FROM series
WHERE is_frame = 0 AND night BETWEEN :first AND :last GROUP BY night
"""

_NO_FRAMES = (0, 0.0, 0, 0)
_NO_LOGS = (0, 0)

_COUNTED = (FrameType.LIGHT, None)
_TYPES: dict[str | None, FrameType | None] = {None: None} | {kind.value: kind for kind in FrameType}


class NightPart(NamedTuple):
    """The frames of one type, target and filter in a night; a tuple, for a long list has many of them."""

    frame_type: FrameType | None
    target: str | None
    filter: str | None
    frames: int
    exposure_s: float

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night. `exposure_s` is that of its lights alone; `parts` have them first.

    `logs` counts the files that are no frames, `findings` those of frames and logs. `moon_illumination`
    (0 to 1) is the mean over the frames for which it was computed. `absent_frames` are those of the frames
    whose bag is not there now. `verdict` is the person's, the last one that was said.
    """

    night: date
    frames: int
    exposure_s: float
    parts: tuple[NightPart, ...]
    logs: int
    findings: int
    moon_illumination: float | None
    absent_frames: int
    verdict: NightVerdict | None = None

    @property
    def hours(self) -> float:
        """Total exposure of the lights in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


def nights(index: Index, within: Between[date] | None = None) -> Iterator[NightRow]:
    """Return the archive's nights in order, those of a range where one is given. Raises IndexFault."""
    first = (within and within.least) or date.min
    last = (within and within.most) or date.max
    ends = {"first": first.isoformat(), "last": last.isoformat()}
    with index.snapshot():
        parts = _parts(index, ends)
        sums = {night: rest for night, *rest in index.rows(_SUMS, ends)}
        logs = {night: rest for night, *rest in index.rows(_LOGS, ends)}
        said = verdicts(index)
        found = [
            _night_row(night, parts.get(night, []), sums.get(night, _NO_FRAMES), logs.get(night, _NO_LOGS))
            for night in sorted({*parts, *logs})
        ]
    yield from (replace(row, verdict=said.get(row.night)) for row in found)


def _parts(index: Index, ends: dict[str, str]) -> dict[str, list[NightPart]]:
    """Return each night's parts; equal parts of several bags or setups are added up."""
    parts: dict[str, list[NightPart]] = {}
    before = None
    for night, frame_type, target, name, frames, exposure_s in index.rows(_PARTS, ends):
        require_kinds((target, name), (TEXT, TEXT))
        key = (night, frame_type, target, name)
        if key != before:
            part = NightPart(_TYPES[frame_type], target, name, frames, exposure_s)
            parts.setdefault(night, []).append(part)
        else:  # they come in order, so that those that are alike are neighbours
            last = parts[night].pop()
            sums = {"frames": last.frames + frames, "exposure_s": last.exposure_s + exposure_s}
            parts[night].append(last._replace(**sums))
        before = key
    return parts


def _night_row(night: str, parts: list[NightPart], sums: Sequence[Any], logs: Sequence[Any]) -> NightRow:
    findings, moonlight, moons, absent = sums
    lights = [part for part in parts if part.frame_type in _COUNTED]
    return NightRow(
        night=date.fromisoformat(night),
        frames=sum(part.frames for part in parts),
        exposure_s=sum(part.exposure_s for part in lights),
        parts=(*lights, *(part for part in parts if part.frame_type not in _COUNTED)),
        logs=logs[0],
        findings=findings + logs[1],
        moon_illumination=moonlight / moons if moons else None,
        absent_frames=absent,
    )
