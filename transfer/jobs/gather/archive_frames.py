"""A frame of the archive as gathering sees it: where it lies, what it is for, how it was taken."""

from __future__ import annotations

from dataclasses import dataclass

from manifests.frames.calibration.setups import FiledFrame, Setup, setup_of
from manifests.frames.frame import FrameType
from manifests.frames.names.filters import NOT_GIVEN
from manifests.index.frame_query import FrameRow


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
    def filed(self) -> FiledFrame:
        """The frame as far as matching goes."""
        return FiledFrame(self.path, self.kind, self.setup)


def archive_frame(row: FrameRow, kind: FrameType) -> ArchiveFrame:
    """Give a frame that the index found."""
    return ArchiveFrame(path_of(row), kind, setup_of(row.frame, row.night, filter_of(row)), row)


def path_of(row: FrameRow) -> str:
    """Give a frame's path below the archive."""
    return row.path if row.bag == "." else f"{row.bag}/{row.path}"


def filter_of(row: FrameRow) -> str:
    """Give the name of a frame's filter."""
    return row.filter or NOT_GIVEN
