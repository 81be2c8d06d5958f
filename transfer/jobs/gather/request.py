"""What a person asks to have laid out, and as links or copies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path

from manifests.index.frame_query import Between, Measured


class Means(StrEnum):
    """How a frame of the archive is put into the folder.

    `BEST`: as copies where they take no room because they share the archive's blocks, else as hard links.
    """

    BEST = "best"
    HARD_LINK = "hard link"
    SYMBOLIC_LINK = "symbolic link"
    COPY = "copy"


@dataclass(frozen=True, slots=True)
class GatherRequest:
    """The lights of `target` (in any spelling), laid out in `folder`.

    A light of any of the filters and any of the nights is wanted; without filters every filter, without
    `nights` and `since` every night; and of these one whose measures are in the ranges of `measured`. Masters
    stand in where no raw calibration frames fit, or, with `masters_first`, raw frames where no master does.
    Where no hard link can be made, a copy is. With `dry_run` nothing is written, and the `folder` may be left
    open.
    """

    target: str
    folder: Path | None
    filters: tuple[str, ...] = ()
    nights: frozenset[date] = frozenset()
    since: date | None = None
    means: Means = Means.BEST
    masters_first: bool = False
    dry_run: bool = False
    measured: Mapping[Measured, Between[float]] = field(default_factory=dict)

    def wants_night(self, night: date) -> bool:
        """Return whether lights of a night are asked for."""
        if not self.nights and self.since is None:
            return True
        return night in self.nights or (self.since is not None and night >= self.since)
