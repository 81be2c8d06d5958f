"""The archive's nights: what each of them gave."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType, Stage
from manifests.index.believing import TEXT, require_inside, require_kinds
from manifests.index.frame_query import SECONDS_PER_HOUR, Between
from manifests.index.names import AS_ARCHIVED, ShownNames
from manifests.index.opening import Index
from manifests.index.statements import verdicts
from manifests.readings.verdicts import NightVerdict

_WANTED = """
WHERE is_frame = 1 AND night BETWEEN :first AND :last
    AND (:targets IS NULL OR target IN (SELECT value FROM json_each(:targets)))
    AND (:filters IS NULL OR filter IN (SELECT value FROM json_each(:filters)))
"""
# In the order of an index.
_PARTS = f"""
SELECT night, frame_type, target, filter, stage, in_use, files, total_exposure_s FROM series
{_WANTED} ORDER BY night, frame_type, target, filter
"""  # noqa: S608 - one constant of this module is put in
_SUMS = f"""
SELECT night, sum(findings), sum(total_moon_illumination), sum(moons),
    sum(CASE WHEN bag_id IN (SELECT id FROM bags WHERE present = 0) THEN files ELSE 0 END)
FROM series {_WANTED} GROUP BY night
"""  # noqa: S608 - likewise
_NOT_MEASURED = f"""
SELECT night, count(*) FROM series
JOIN files ON files.series_id = series.id JOIN findings ON findings.file_id = files.id
{_WANTED} AND series.findings > 0 AND kind = '{FindingKind.NOT_MEASURED}' GROUP BY night
"""  # noqa: S608 - likewise
_LOGS = """
SELECT night, sum(files), sum(findings) FROM series
WHERE is_frame = 0 AND night BETWEEN :first AND :last GROUP BY night
"""

_LOGS_OF_NIGHT = """
SELECT bags.path, files.path, files.size_bytes, bags.present
FROM series JOIN bags ON bags.id = series.bag_id JOIN files ON files.series_id = series.id
WHERE is_frame = 0 AND night = ? ORDER BY bags.path, files.path
"""

_Key = tuple[str | None, str | None, str | None, str | None, int]

_NO_FRAMES = (0, 0.0, 0, 0)
_NO_LOGS = (0, 0)

_LIGHTS = (FrameType.LIGHT, None)
_TYPES: dict[str | None, FrameType | None] = {None: None} | {kind.value: kind for kind in FrameType}
_STAGES: dict[str | None, Stage] = {None: Stage.RAW} | {stage.value: stage for stage in Stage}


class NightPart(NamedTuple):
    """The frames of one type, target, filter and stage in a night that a person uses, or does not.

    A tuple, because a long list has many of them.
    """

    frame_type: FrameType | None
    target: str | None
    filter: str | None
    frames: int
    exposure_s: float
    stage: Stage = Stage.RAW
    in_use: bool = True

    @property
    def counts(self) -> bool:
        """Whether they count: raw frames that are in use."""
        return self.in_use and self.stage is Stage.RAW

    @property
    def hours(self) -> float:
        """Total exposure in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night: `frames` counts raw ones in use, `exposure_s` adds up such lights.

    `parts` are all, lights first.
    `logs` counts the files that are no frames, `findings` those of frames and logs, of which `not_measured`
    say no more than that a frame's stars could not be measured. `moon_illumination`
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
    not_measured: int = 0

    @property
    def hours(self) -> float:
        """Total exposure of the lights in hours."""
        return self.exposure_s / SECONDS_PER_HOUR


class LogFile(NamedTuple):
    """A file of a night that is no frame: `path` in `bag`, which is the bag's path below the archive."""

    bag: str
    path: str
    size_bytes: int
    absent: bool


def logs_of_night(index: Index, night: date) -> tuple[LogFile, ...]:
    """Return a night's files that are no frames, sorted by path. Raises IndexFault."""
    with index.snapshot():
        rows = [
            LogFile(bag, path, size_bytes, not present)
            for bag, path, size_bytes, present in index.rows(_LOGS_OF_NIGHT, (night.isoformat(),))
        ]
        for row in rows:
            require_kinds(row[:3], (str, str, int))
            require_inside(row.bag, row.path)
    return tuple(rows)


def nights(
    index: Index,
    within: Between[date] | None = None,
    targets: Sequence[str] = (),
    filters: Sequence[str] = (),
    shown: ShownNames = AS_ARCHIVED,
) -> Iterator[NightRow]:
    """Return the archive's nights in order, those of a range where one is given. Raises IndexFault.

    With `targets` or `filters` (the archive's names), only frames of one of them count, and no logs. Parts
    bear the names that are `shown`.
    """
    first = (within and within.least) or date.min
    last = (within and within.most) or date.max
    ends = {"first": first.isoformat(), "last": last.isoformat()}
    wanted = ends | {"targets": _listed(targets), "filters": _listed(filters)}
    everything = not (targets or filters)
    with index.snapshot():
        parts = _parts(index, wanted, shown)
        sums = {night: rest for night, *rest in index.rows(_SUMS, wanted)}
        logs = {night: rest for night, *rest in index.rows(_LOGS, ends)} if everything else {}
        has_some = any(findings for findings, *_ in sums.values())
        unmeasured: dict[str, int] = dict(map(tuple, index.rows(_NOT_MEASURED, wanted))) if has_some else {}
        said = verdicts(index)
        found = [
            _night_row(night, parts.get(night, []), sums.get(night, _NO_FRAMES), logs.get(night, _NO_LOGS))
            for night in sorted({*parts, *logs})
        ]
    for row in found:
        count = unmeasured.get(row.night.isoformat(), 0)
        yield replace(row, verdict=said.get(row.night), not_measured=count)


def _listed(names: Sequence[str]) -> str | None:
    return json.dumps(list(names)) if names else None


def _parts(index: Index, wanted: dict[str, str | None], shown: ShownNames) -> dict[str, list[NightPart]]:
    """Return each night's parts; equal parts of several bags or setups are added up."""
    sums: dict[str, dict[_Key, tuple[int, float]]] = {}
    for night, frame_type, target, name, stage, in_use, frames, exposure_s in index.rows(_PARTS, wanted):
        require_kinds((target, name), (TEXT, TEXT))
        names = shown.targets.get(target, target), shown.filters.get(name, name)
        key = frame_type, *names, stage, in_use
        of_night = sums.setdefault(night, {})
        before = of_night.get(key, (0, 0.0))
        of_night[key] = before[0] + frames, before[1] + exposure_s
    return {
        night: [
            NightPart(_TYPES[frame_type], target, name, *added, _STAGES[stage], bool(in_use))
            for (frame_type, target, name, stage, in_use), added in sorted(of_night.items(), key=_in_order)
        ]
        for night, of_night in sums.items()
    }


def _in_order(part: tuple[_Key, tuple[int, float]]) -> tuple[str, ...]:
    return tuple(str(word or "") for word in part[0])


def _night_row(night: str, parts: list[NightPart], sums: Sequence[Any], logs: Sequence[Any]) -> NightRow:
    findings, moonlight, moons, absent = sums
    lights = [part for part in parts if part.frame_type in _LIGHTS]
    counted = [part for part in parts if part.counts]
    return NightRow(
        night=date.fromisoformat(night),
        frames=sum(part.frames for part in counted),
        exposure_s=sum(part.exposure_s for part in counted if part.frame_type in _LIGHTS),
        parts=(*lights, *(part for part in parts if part.frame_type not in _LIGHTS)),
        logs=logs[0],
        findings=findings + logs[1],
        moon_illumination=moonlight / moons if moons else None,
        absent_frames=absent,
    )
