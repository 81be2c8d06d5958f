"""The night that a moment belongs to: local mean solar time, the day changing at noon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from manifests.findings import Finding, FindingKind
from manifests.frames.inspection import Inspection

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOON_TO_MIDNIGHT = timedelta(hours=12)
_DEG_PER_HOUR = 15  # the mean sun's way


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
    try:
        moment = _EPOCH + timedelta(microseconds=modified_ns // 1000)
    except OverflowError:
        return date.min if modified_ns < 0 else date.max
    return night_of(moment, longitude_deg)


def frame_night(
    inspection: Inspection, modified_ns: int, longitude_deg: float
) -> tuple[date, tuple[Finding, ...]]:
    """Give the night on which a frame began, and what is uncertain about it.

    Where the header gives no date, or the file is no frame, its last modification tells the night.
    """
    frame = inspection.frame
    if frame is None:
        return night_of_ns(modified_ns, longitude_deg), ()
    if frame.begun_utc is None:
        night = night_of_ns(modified_ns, longitude_deg)
        detail = f"filed under {night} by the file's last modification"
        return night, (Finding(FindingKind.NO_DATE, detail),)
    night = night_of(frame.begun_utc, longitude_deg)
    if inspection.date_only:
        detail = f"the header says {frame.begun_utc.date()}; 0h UTC was taken, which is the night {night}"
        return night, (Finding(FindingKind.DATE_WITHOUT_TIME, detail),)
    return night, ()
