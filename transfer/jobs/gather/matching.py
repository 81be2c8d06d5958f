"""The lights matched with calibration frames whose files are there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from manifests.bags.kept_proofs import DAMAGED, known_damage
from manifests.bags.statements import read_statements
from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.masters import WithMasters
from manifests.frames.calibration.plan import Row, plan_calibration
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType, Stage
from transfer.jobs.gather.archive_frames import ArchiveFile, ArchiveFrame, look_at
from transfer.jobs.gather.selection import Selection


@dataclass(frozen=True, slots=True)
class MatchedFrames:
    """What goes together: the frames, lights first, with their files, and the rows that say why.

    `gone` are frames that were asked for, or would have fitted, and are not there as the archive lists them.
    """

    frames: tuple[ArchiveFrame, ...]
    files: Mapping[str, ArchiveFile]
    rows: tuple[Row, ...]
    gone: tuple[Finding, ...] = ()

    @property
    def order(self) -> dict[str, int]:
        """The place of each frame among them, by its path."""
        return {frame.path: number for number, frame in enumerate(self.frames)}


def match(
    root: Path, selection: Selection, tolerances: Tolerances, *, masters_first: bool = False
) -> MatchedFrames:
    """Match the lights. A frame that is not there is left out, and lights are matched again without it."""
    looking = _Looking(root)
    lights = looking.those_there(selection.lights)
    library = {frame.path: frame for frame in selection.calibration}
    while True:
        rows = plan_calibration(
            (frame.filed for frame in lights),
            WithMasters(
                (frame.filed for frame in library.values() if frame.stage is Stage.RAW),
                (frame.filed for frame in library.values() if frame.stage is Stage.MASTER),
                tolerances,
                masters_first=masters_first,
            ),
        )
        paths = dict.fromkeys(path for row in rows for path in row.matched)
        taken = looking.those_there(library[path] for path in paths)
        if len(taken) == len(paths):
            frames = (*lights, *_as_they_serve(taken, rows))
            files = {frame.path: looking.files[frame.path] for frame in frames}
            return MatchedFrames(frames, files, tuple(rows), tuple(looking.gone.values()))
        for path in looking.gone:
            library.pop(path, None)


def _as_they_serve(frames: Iterable[ArchiveFrame], rows: Iterable[Row]) -> Iterator[ArchiveFrame]:
    """Yield the frames, those that serve as one other type alone (darks for flats) as of that type."""
    served: dict[str, set[FrameType]] = {}
    for row in rows:
        for path in row.matched:
            served.setdefault(path, set()).add(row.kind)
    for frame in frames:
        kinds = served[frame.path]
        yield frame if frame.kind in kinds else replace(frame, kind=min(kinds))


@dataclass(slots=True)
class _Looking:
    """Looks at each file once and keeps what it found."""

    root: Path
    files: dict[str, ArchiveFile] = field(default_factory=dict)
    gone: dict[str, Finding] = field(default_factory=dict)
    _damage: dict[str, Mapping[str, str]] = field(default_factory=dict)

    def _known_damage(self, bag: str) -> Mapping[str, str]:
        """Return what is known to be wrong with files of a bag, by their paths in it."""
        if bag not in self._damage:
            self._damage[bag] = {}
            with suppress(OSError):
                self._damage[bag] = known_damage(read_statements(self.root / bag, DAMAGED).statements)
        return self._damage[bag]

    def those_there(self, frames: Iterable[ArchiveFrame]) -> list[ArchiveFrame]:
        return [frame for frame in frames if self._is_there(frame)]

    def _is_there(self, frame: ArchiveFrame) -> bool:
        if frame.path not in self.files and frame.path not in self.gone:
            found = look_at(self.root, frame)
            wrong = self._known_damage(frame.row.bag).get(frame.row.path)
            if wrong is not None:
                # Its size and time may be as listed: a link would bring the damage into the processing.
                detail = f"it was found damaged when it was last read ({wrong}): heal it, or file it again"
                found = Finding(FindingKind.CHANGED, detail, frame.path)
            if isinstance(found, Finding):
                self.gone[frame.path] = found
            else:
                self.files[frame.path] = found
        return frame.path in self.files
