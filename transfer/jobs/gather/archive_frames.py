"""A frame of the archive as gathering sees it: what it is for, its setup, and its file as it is now."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from manifests.bags.containment import real_file
from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.equipment import NO_OWN_NAMES, EquipmentNames
from manifests.frames.calibration.setups import FiledFrame, Setup, setup_of
from manifests.frames.frame import FrameType, Stage
from manifests.frames.names.filters import NOT_GIVEN
from manifests.frames.stages import known_stage
from manifests.index.frame_query import FrameRow
from transfer.engine.medium.looking import HERE, Spelling


@dataclass(frozen=True, slots=True)
class ArchiveFrame:
    """One frame of the archive: `path` below the archive, what it is for, and the setup it was taken with."""

    path: str
    kind: FrameType
    setup: Setup
    row: FrameRow

    @property
    def name(self) -> str:
        """The file's name in the archive."""
        return self.path.rpartition("/")[2]

    @property
    def stage(self) -> Stage:
        """Whether the frame is raw, or made from others."""
        return known_stage(self.row.frame)

    @property
    def filed(self) -> FiledFrame:
        """The frame as the matching of calibration frames needs it."""
        return FiledFrame(self.path, self.kind, self.setup)


def archive_frame(row: FrameRow, kind: FrameType, equipment: EquipmentNames = NO_OWN_NAMES) -> ArchiveFrame:
    """Return a frame that the index found, its telescope and camera by the user's names."""
    setup = setup_of(row.frame, row.night, filter_of(row), equipment)
    return ArchiveFrame(path_of(row), kind, setup, row)


def path_of(row: FrameRow) -> str:
    """Return a frame's path below the archive."""
    return row.path if row.bag == "." else f"{row.bag}/{row.path}"


def filter_of(row: FrameRow) -> str:
    """Return the name of a frame's filter."""
    return row.filter or NOT_GIVEN


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """An ordinary file inside its bag: its real path, its size and time, and which file it is.

    `identity` is the device and the file number: two names with the same identity are one file.
    """

    path: Path
    size_bytes: int
    modified_ns: int
    identity: tuple[int, int]

    @property
    def device(self) -> int:
        """The number of the device that the file is on."""
        return self.identity[0]


def look_at(root: Path, frame: ArchiveFrame, spelling: Spelling = HERE) -> ArchiveFile | Finding:
    """Return a frame's file, or a finding where it is not in its bag or not as large as listed.

    The system is asked for the path in its own `spelling`.
    """
    try:
        path = real_file(Path(spelling.asked(str(root / frame.row.bag))), frame.row.path)
        facts = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Finding(FindingKind.MISSING, "the archive lists it, and it is not there", frame.path)
    except OSError as error:
        return Finding(FindingKind.UNREADABLE, error.strerror or str(error), frame.path)
    if facts.st_size != frame.row.size_bytes:
        detail = f"it has {facts.st_size:,} bytes, and its bag lists {frame.row.size_bytes:,}"
        return Finding(FindingKind.CHANGED, detail, frame.path)
    return ArchiveFile(path, facts.st_size, facts.st_mtime_ns, (facts.st_dev, facts.st_ino))
