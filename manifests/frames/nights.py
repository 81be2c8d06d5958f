"""The night that a moment belongs to: local mean solar time, the day changing at noon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from manifests.findings import Finding, FindingKind

if TYPE_CHECKING:
    from manifests.frames.inspection import Inspection

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOON_TO_MIDNIGHT = timedelta(hours=12)
_DEG_PER_HOUR = 15  # the mean sun's way
_DAY_NS = 86_400_000_000_000
_NS_PER_DEG = _DAY_NS // 360


def night_of(moment_utc: datetime, longitude_deg: float) -> date:
    """Give the night of a moment, named by the date of its evening.

    From local mean noon to the next noon is one night, whatever the sun and the clocks do there.
    `longitude_deg` counts east. A naive moment is taken as UTC. At the ends of the calendar, where
    the evening would lie beyond it, the first or the last date.
    """
    ahead = timedelta(hours=longitude_deg / _DEG_PER_HOUR) - _NOON_TO_MIDNIGHT
    moment = moment_utc.replace(tzinfo=moment_utc.tzinfo or UTC)
    try:
        return (moment.astimezone(UTC) + ahead).date()
    except OverflowError:
        return date.min if moment.year == 1 else date.max


def night_of_ns(modified_ns: int, longitude_deg: float) -> date:
    """Give the night of a file's time, in nanoseconds since 1970; any number will do."""
    ahead_ns = int(longitude_deg * _NS_PER_DEG) - _DAY_NS // 2
    return _date_of_day((modified_ns + ahead_ns) // _DAY_NS)


@lru_cache(maxsize=4096)
def _date_of_day(day: int) -> date:
    """Give the date of a day counted from 1970-01-01; beyond the calendar, its first or last date."""
    return date.fromordinal(min(max(day + _EPOCH.toordinal(), date.min.toordinal()), date.max.toordinal()))


def frame_night(
    inspection: Inspection, modified_ns: int, longitude_deg: float
) -> tuple[date, tuple[Finding, ...]]:
    """Give the night on which a frame began, and what is uncertain about it.

    Where the header gives no date, or the file is no frame, its last modification tells the night.
    """
    frame = inspection.frame
    if frame is None or frame.begun_utc is None:
        night = night_of_ns(modified_ns, longitude_deg)
    else:
        night = night_of(frame.begun_utc, longitude_deg)
    return night, date_findings(inspection, night)


def date_findings(inspection: Inspection, night: date) -> tuple[Finding, ...]:
    """Say what is uncertain about a night that a frame was given."""
    frame = inspection.frame
    if frame is None:
        return ()
    if frame.begun_utc is None:
        return (Finding(FindingKind.NO_DATE, f"filed under {night} by the file's last modification"),)
    if inspection.date_only:
        detail = f"the header says {frame.begun_utc.date()}; 0h UTC was taken, which is the night {night}"
        return (Finding(FindingKind.DATE_WITHOUT_TIME, detail),)
    return ()
