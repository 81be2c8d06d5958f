"""Masters in place of raw calibration frames: by the same criteria, and never both for one need."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from manifests.frames.calibration.matching import Library, Match, Missing
from manifests.frames.calibration.setups import FiledFrame, Group, Setup
from manifests.frames.calibration.tolerances import Tolerances
from manifests.frames.frame import FrameType

_SAID = "a master, in place of raw frames"


class WithMasters:
    """Answers each need from raw frames or from masters: from those that come first, where any fit.

    One master is a full set, and the nearest one is taken alone.
    """

    def __init__(
        self,
        raws: Iterable[FiledFrame],
        masters: Iterable[FiledFrame],
        tolerances: Tolerances,
        *,
        masters_first: bool = False,
    ) -> None:
        masters = list(masters)
        self._paths = {frame.path for frame in masters}
        self._raws = Library(raws, tolerances)
        self._masters = Library(masters, replace(tolerances, least_count=1, library_nights=0))
        self._masters_first = masters_first

    def match(self, kind: FrameType, need: Setup) -> Match | Missing:
        """Return what fits a setup, as `Library.match` does; what is missing is said of the raw frames."""
        raw, master = self._raws.match(kind, need), self._masters.match(kind, need)
        if isinstance(master, Match) and (self._masters_first or isinstance(raw, Missing)):
            return replace(master, remarks=(*master.remarks, _SAID))
        return raw

    def is_calibrated(self, group: Group) -> bool:
        """Return whether the frames of a group are masters, which need no calibration themselves."""
        return not self._paths.isdisjoint(group.paths)
