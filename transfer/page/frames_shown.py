"""Frames as pages show them, in groups of one night, target and filter, and in parts that stay light."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import NamedTuple

from manifests.findings import Finding
from manifests.frames.frame import FrameType, Stage
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.frames.stages import known_stage
from manifests.index.frame_query import FrameRow
from transfer.page.shown import file_url, look_of
from transfer.page.thumbnails import PICTURE, KeptThumbnails, place_of

FRAMES_A_PAGE = 800
"""A frame takes about a kilobyte of a page, more with long names and findings."""

BYTES_A_PAGE = 1_200_000
"""What the frames of one page may take, so that with all else it stays below 2 MB."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIXED_BYTES = 900
_NOT_MEASURED = FrameMeasures()


class FrameShown(NamedTuple):
    """One frame: what its card says, and by what it is sorted."""

    digest: str
    picture: str
    file: str
    name: str
    night: date
    target: str | None
    filter: str | None
    look: str
    begun_us: int | None
    exposure_s: float | None
    altitude_deg: float | None
    measures: FrameMeasures
    size_arcsec: float | None
    findings: tuple[Finding, ...]
    absent: bool
    in_use: bool
    made: str

    @property
    def about_bytes(self) -> int:
        """About how many bytes its card takes."""
        told = sum(len(one.kind) + len(one.detail) for one in self.findings)
        return _FIXED_BYTES + 2 * len(self.file) + 4 * (len(self.name) + len(self.filter or "") + told)


class Group(NamedTuple):
    """Frames of one night, target and filter, in the order of time."""

    night: date
    target: str | None
    filter: str | None
    look: str
    frames: tuple[FrameShown, ...]

    @property
    def exposure_s(self) -> float:
        """The sum of the exposures of raw frames that are in use."""
        return sum(one.exposure_s or 0.0 for one in self.frames if one.in_use and not one.made)


def is_shown(row: FrameRow) -> bool:
    """Return whether a frame has a card: a light, or what may be one."""
    return row.frame.frame_type in (FrameType.LIGHT, None)


def frame_shown(row: FrameRow, kept: KeptThumbnails, archive: str) -> FrameShown:
    """Return a frame as a card shows it; `archive` is how its page refers to the archive."""
    frame, stage = row.frame, known_stage(row.frame)
    has_picture = kept.has_picture(row.sha256)
    below = row.path if row.bag == "." else f"{row.bag}/{row.path}"
    altitude_deg = row.sky.altitude_deg if row.sky.altitude_deg is not None else frame.altitude_deg
    return FrameShown(
        digest=row.sha256,
        picture=place_of(row.sha256, PICTURE) if has_picture else "",
        file="" if row.absent else archive + file_url(below),
        name=row.path.rpartition("/")[2],
        night=row.night,
        target=row.target,
        filter=row.filter,
        look=look_of(row.filter),
        begun_us=None if frame.begun_utc is None else (frame.begun_utc - _EPOCH) // timedelta(microseconds=1),
        exposure_s=frame.exposure_s,
        altitude_deg=altitude_deg,
        measures=row.measures or _NOT_MEASURED,
        size_arcsec=row.size_arcsec,
        findings=row.findings,
        absent=row.absent,
        in_use=row.in_use,
        made="" if stage is Stage.RAW else stage.value,
    )


def in_groups(frames: Iterable[FrameShown]) -> list[Group]:
    """Return frames in groups: by night, target and filter, raw ones before what was made of them."""

    def key(one: FrameShown) -> tuple[date, str, str, str]:
        return one.night, one.target or "", one.filter or "", one.made

    ordered = sorted(frames, key=lambda one: (*key(one), one.begun_us or 0, one.name))
    return [_group(tuple(alike)) for _, alike in groupby(ordered, key)]


def _group(frames: tuple[FrameShown, ...]) -> Group:
    first = frames[0]
    return Group(first.night, first.target, first.filter, first.look, frames)


def in_parts(groups: Sequence[Group]) -> list[list[Group]]:
    """Return groups in parts that make a page each: at least one part."""
    parts: list[list[Group]] = [[]]
    frames = size_bytes = 0
    for group in (piece for one in groups for piece in _pieces(one)):
        more_bytes = sum(one.about_bytes for one in group.frames)
        if frames and (frames + len(group.frames) > FRAMES_A_PAGE or size_bytes + more_bytes > BYTES_A_PAGE):
            parts.append([])
            frames = size_bytes = 0
        parts[-1].append(group)
        frames, size_bytes = frames + len(group.frames), size_bytes + more_bytes
    return parts


def _pieces(group: Group) -> Iterator[Group]:
    """Return a group in pieces of which each has room on a page."""
    begun = frames = size_bytes = 0
    for number, one in enumerate(group.frames):
        if frames and (frames == FRAMES_A_PAGE or size_bytes + one.about_bytes > BYTES_A_PAGE):
            yield _group(group.frames[begun:number])
            begun, frames, size_bytes = number, 0, 0
        frames, size_bytes = frames + 1, size_bytes + one.about_bytes
    yield _group(group.frames[begun:])
