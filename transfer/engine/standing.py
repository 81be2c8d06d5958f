"""How a follower stands: plain facts that it keeps in the records, and that `now` reads there."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from typing import Any

from manifests.frames.endings import counts_as_a_frame
from manifests.frames.sky.twilight import NAUTICAL_DEG, DarkHours, night_dark_hours
from transfer.config import Site
from transfer.engine.medium import ReadBack
from transfer.engine.sources import SourceFile

# Taken for the usual gap where too few came to tell: common practice exposes for up to 20 minutes.
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_USUAL_S = 1200.0
_MOST_GAP_S = 1e6
_GAPS_TOLD_BY = 20
_LEAST_GAPS = 3


class End(Enum):
    """Why a follower has ended."""

    TIME = "its time has come"
    HANDED_OVER = "a run of send takes over"
    STOPPED = "it was told to end"


@dataclass(frozen=True, slots=True)
class Standing:
    """How a follower stands. Times are ISO 8601 in UTC, empty where there is none.

    `whole` counts the files of the night that were found whole, `proven` those of them that are proven on
    every drive, and `proven_frames` the frames among these; `read_back` says from where. `drives` are the
    names of those that it carries to, `gone` those that left or are not there. `usual_gap_s` is the usual
    time between two frames.
    """

    process: int
    version: str
    began_utc: str
    until_utc: str
    night: str = ""
    drives: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    places: tuple[str, ...] = ()
    whole: int = 0
    proven: int = 0
    proven_frames: int = 0
    proven_bytes: int = 0
    read_back: str = ReadBack.MEDIUM.value
    did_not_fit: int = 0
    last_frame_utc: str = ""
    usual_gap_s: float = 0.0
    free_bytes: int = 0
    ended_utc: str = ""
    why_ended: str = ""

    @property
    def is_closed(self) -> bool:
        """Whether the follower left the night to a run of `send`, whose receipt then says how it stands."""
        return self.why_ended in (End.HANDED_OVER.value, End.TIME.value)

    def as_json(self) -> dict[str, Any]:
        """Return it as it is kept."""
        return asdict(self)


def standing_from(document: Mapping[str, Any]) -> Standing | None:
    """Make it of what was kept; None where that is of another version of this program, or damaged."""
    known = Standing.__dataclass_fields__
    fields: dict[str, Any] = {name: document[name] for name in known if name in document}
    try:
        for name in ("drives", "gone", "places"):
            fields[name] = tuple(map(str, fields.get(name) or ()))
        standing = Standing(**fields)
        for name, field in Standing.__dataclass_fields__.items():
            wanted = {"int": int, "str": str, "float": int | float}.get(str(field.type), tuple)
            if not isinstance(getattr(standing, name), wanted):
                return None
        for moment in (standing.began_utc, standing.until_utc, standing.last_frame_utc, standing.ended_utc):
            moment_of(moment)
        if not 0 <= standing.usual_gap_s < _MOST_GAP_S:
            return None
        if standing.night:
            date.fromisoformat(standing.night)
    except (TypeError, ValueError):
        return None
    return standing


def told(moment: datetime | None) -> str:
    """Return a moment as it is kept, to the second."""
    return "" if moment is None else moment.astimezone(UTC).isoformat(timespec="seconds")


def moment_of(kept: str) -> datetime | None:
    """Return a moment that was kept; None where there is none. Raises ValueError."""
    moment = datetime.fromisoformat(kept) if kept else None
    return moment if moment is None or moment.tzinfo else moment.replace(tzinfo=UTC)


def arrivals(files: Iterable[SourceFile]) -> tuple[datetime | None, float]:
    """Return when the last frame was written, and the usual seconds between two, 0 where too few came."""
    times = sorted(file.modified_ns for file in files if counts_as_a_frame(file.path))
    if not times:
        return None, 0.0
    last = _EPOCH + timedelta(microseconds=times[-1] // 1000)
    gaps = [(after - before) / 1e9 for before, after in itertools.pairwise(times)]
    return last, statistics.median(gaps[-_GAPS_TOLD_BY:]) if len(gaps) >= _LEAST_GAPS else 0.0


def dark_hours(night: date, site: Site | None) -> DarkHours | None:
    """Return when it is dark at the site, to the end of nautical twilight; None where that is not known."""
    if site is None or site.latitude_deg is None or site.longitude_deg is None:
        return None
    return night_dark_hours(night, site.latitude_deg, site.longitude_deg, NAUTICAL_DEG)


def missing_since(standing: Standing, dark: DarkHours | None, now: datetime) -> timedelta | None:
    """Return for how long no frame came although it is dark, where that is twice the usual gap or more."""
    if dark is None or not dark.dusk_utc <= now <= dark.dawn_utc:
        return None
    began, last = moment_of(standing.began_utc), moment_of(standing.last_frame_utc)
    since = max(moment for moment in (dark.dusk_utc, last or began) if moment is not None)
    quiet = now - since
    return quiet if quiet >= timedelta(seconds=2 * (standing.usual_gap_s or _USUAL_S)) else None
