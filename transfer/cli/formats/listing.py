"""A list of frames, counted while it is written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from manifests.findings import FindingKind
from manifests.index.frame_query import FrameRow, Total, total_of
from transfer.words import counted, hours_told


class Listing:
    """Frames of the archive at `root`, to be taken once.

    `listed`, `absent` and `damaged` count those taken so far; what is not there is absent alone.
    """

    def __init__(self, root: Path, rows: Iterator[FrameRow]) -> None:
        self.root = root
        self.listed = Total(0, 0.0)
        self.absent = 0
        self.damaged = 0
        self._rows = rows

    def __iter__(self) -> Iterator[FrameRow]:
        for row in self._rows:
            self.listed = Total(self.listed.frames + 1, self.listed.exposure_s + total_of((row,)).exposure_s)
            self.absent += row.absent
            self.damaged += is_damaged(row) and not row.absent
            yield row

    def path_of(self, row: FrameRow) -> Path:
        """Return a frame's whole path."""
        return self.root / row.bag / row.path


def is_damaged(row: FrameRow) -> bool:
    """Return whether a frame was found damaged when it was last read."""
    return any(finding.kind is FindingKind.DAMAGED for finding in row.findings)


def told(listing: Listing, found: Total) -> str:
    """Return the total of a list in one line, and the total of all that fits where a limit cut it short."""
    listed = listing.listed
    absent = f"; {listing.absent:,} of them absent" if listing.absent else ""
    absent += f"; {listing.damaged:,} of them found damaged" if listing.damaged else ""
    if found.frames > listed.frames:
        hours = f"{hours_told(listed.hours)} of {hours_told(found.hours)} hours"
        return f"{listed.frames:,} of {counted(found.frames, 'frame')}, {hours}{absent}."
    return f"{counted(listed.frames, 'frame')}, {hours_told(listed.hours)} hours{absent}."
