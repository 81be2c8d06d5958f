"""Sums over a bag's entries: files, bytes, frames by type, target and filter, findings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from manifests.bags.entries import Entry
from manifests.findings import Finding
from manifests.frames.endings import counts_as_a_frame
from manifests.frames.frame import Frame, FrameType, Stage
from manifests.frames.stages import known_stage


class Group(NamedTuple):
    """Frames that are counted together, in the header's own words."""

    frame_type: FrameType | None
    target: str
    filter_name: str
    stage: Stage = Stage.RAW

    @property
    def kind(self) -> str:
        """What they are: "light", "master dark", "stack", "calibrated light", "type unknown"."""
        if self.stage is Stage.STACK:
            return self.stage.value
        what = "type unknown" if self.frame_type is None else self.frame_type.value
        return what if self.stage is Stage.RAW else f"{self.stage.value} {what}"

    @property
    def is_raw_light(self) -> bool:
        """Whether they are lights as the camera took them, which a night is counted in."""
        return self.frame_type is FrameType.LIGHT and self.stage is Stage.RAW


@dataclass(slots=True)
class Count:
    """How many frames, and their exposures added up, in seconds."""

    frames: int = 0
    exposure_s: float = 0.0


@dataclass(slots=True)
class Summary:
    """The sums, updated entry by entry. Findings have `source/original` as their path.

    `unread_frames` are frames by their names of which no header is known: not FITS, or not readable.
    """

    files: int = 0
    size_bytes: int = 0
    logs: int = 0
    unread_frames: int = 0
    perhaps_memory: int = 0
    groups: dict[Group, Count] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def add(self, entry: Entry) -> None:
        """Add one entry."""
        self.files += 1
        self.size_bytes += entry.size_bytes
        self.perhaps_memory += entry.read_back != "medium"
        where = f"{entry.source}/{entry.original}"
        self.findings += [Finding(found.kind, found.detail, where) for found in entry.findings]
        if entry.frame is not None:
            self._add_frame(entry.frame)
        elif counts_as_a_frame(entry.original):
            self.unread_frames += 1
        else:
            self.logs += 1

    def _add_frame(self, frame: Frame) -> None:
        light = frame.frame_type is FrameType.LIGHT
        target = (frame.object_name or "without a name") if light else ""
        group = Group(frame.frame_type, target, frame.filter_name or "", known_stage(frame))
        count = self.groups.setdefault(group, Count())
        count.frames += 1
        count.exposure_s += max(frame.exposure_s or 0.0, 0.0)
