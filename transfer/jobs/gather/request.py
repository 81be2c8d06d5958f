"""What a person asks to have laid out, and by what means."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path


class Means(StrEnum):
    """By what a frame of the archive comes to lie in the folder too."""

    HARD_LINK = "hard link"
    SYMBOLIC_LINK = "symbolic link"
    COPY = "copy"


@dataclass(frozen=True, slots=True)
class GatherRequest:
    """The lights of `target` (in any spelling), laid out in `folder`.

    Of several filters and nights any will do; without filters all, without `nights` and `since` all nights.
    Hard links become copies where there can be none.
    """

    target: str
    folder: Path
    filters: tuple[str, ...] = ()
    nights: frozenset[date] = frozenset()
    since: date | None = None
    means: Means = Means.HARD_LINK

    def wants_night(self, night: date) -> bool:
        """Tell whether lights of a night are asked for."""
        if not self.nights and self.since is None:
            return True
        return night in self.nights or (self.since is not None and night >= self.since)
