"""The night that a moment belongs to: local mean solar time, the day changing at noon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from manifests.findings import Finding, FindingKind
from manifests.frames.sites import site_of

if TYPE_CHECKING:
    from manifests.frames.inspection import Inspection

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOON_TO_MIDNIGHT = timedelta(hours=12)
_DEG_PER_HOUR = 15  # the mean sun's way
_DAY_NS = 86_400_000_000_000
# File systems and packers give 1970 or 1980 to a file whose time they do not know.
_FIRST_TIME = date(1981, 1, 1)
_MOST_AHEAD = timedelta(days=1)
_MOST_BEHIND = timedelta(days=7300)  # twenty years
_NS_PER_DEG = _DAY_NS // 360


def night_of(moment_utc: datetime, longitude_deg: float) -> date:
    """Return the night of a moment, named by the date of its evening.

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
    """Return the night of a file's time, in nanoseconds since 1970; any number will do."""
    ahead_ns = int(longitude_deg * _NS_PER_DEG) - _DAY_NS // 2
    return _date_of_day((modified_ns + ahead_ns) // _DAY_NS)


@lru_cache(maxsize=4096)
def _date_of_day(day: int) -> date:
    """Return the date of a day counted from 1970-01-01; beyond the calendar, its first or last date."""
    return date.fromordinal(min(max(day + _EPOCH.toordinal(), date.min.toordinal()), date.max.toordinal()))


def night_of_local(moment: datetime) -> date:
    """Return the night of a moment by the clock at the site (naive), the day changing at its noon."""
    return night_of(moment, 0.0)


def frame_night(
    inspection: Inspection, modified_ns: int, longitude_deg: float, latitude_deg: float | None = None
) -> tuple[date, tuple[Finding, ...]]:
    """Return the night on which a frame began, and what is uncertain about it.

    Longitude and latitude are those of the configured site, east and north positive; a header that names
    a site elsewhere is dated by that (`site_of`). Where the header gives no date, the night is that of its
    DATE, when it was written, else of the file's last modification, as for a file that is no frame.
    """
    frame = inspection.frame
    site = site_of(frame, latitude_deg, longitude_deg)
    longitude_deg = longitude_deg if site.longitude_deg is None else site.longitude_deg
    if frame is not None and frame.begun_utc is not None:
        night = night_of(frame.begun_utc, longitude_deg)
    elif inspection.begun_local is not None:
        night = night_of_local(inspection.begun_local)
    elif inspection.written_utc is not None:
        night = night_of(inspection.written_utc, longitude_deg)
    else:
        night = night_of_ns(modified_ns, longitude_deg)
    elsewhere = () if site.finding is None else (site.finding,)
    return night, (*date_findings(inspection, night, modified_ns), *elsewhere)


def date_findings(inspection: Inspection, night: date, modified_ns: int) -> tuple[Finding, ...]:
    """Return what is uncertain about a night that a frame was given.

    `modified_ns` is the file's last modification, nanoseconds since 1970.
    """
    frame = inspection.frame
    if frame is None:
        return ()
    found = []
    if inspection.date_remark:
        found.append(Finding(FindingKind.DATE_IN_DOUBT, inspection.date_remark))
    if frame.begun_utc is None:
        found.append(_without_utc(inspection, night))
    elif inspection.date_only:
        detail = f"the header says {frame.begun_utc.date()}; 0h UTC was taken, which is the night {night}"
        found.append(Finding(FindingKind.DATE_WITHOUT_TIME, detail))
    modified = _date_of_day(modified_ns // _DAY_NS)
    if frame.begun_utc is not None and not inspection.date_remark and _is_far(frame.begun_utc, modified):
        detail = f"the header says {frame.begun_utc.date()}, the file was last changed {modified}"
        found.append(Finding(FindingKind.DATE_FAR_OFF, detail))
    return tuple(found)


def _without_utc(inspection: Inspection, night: date) -> Finding:
    local, written = inspection.begun_local, inspection.written_utc
    if local is not None:
        said = local.date() if inspection.date_only else local.isoformat(" ", "seconds")
        detail = f"the header says {said}, local time, which is the night {night}; its UTC is not known"
        return Finding(FindingKind.LOCAL_TIME, detail)
    by = "the file's last modification" if written is None else "its DATE, when the header was written"
    return Finding(FindingKind.NO_DATE, f"filed under {night} by {by}")


def _is_far(begun_utc: datetime, modified: date) -> bool:
    """Return whether the date of a header and that of its file cannot both be right.

    A copy may have lost its file's time, and then is younger than its frame by years; a frame that is
    younger than its file, or older than most cameras, has a wrong clock.
    """
    later = modified - begun_utc.date()
    return modified >= _FIRST_TIME and not (-_MOST_AHEAD <= later <= _MOST_BEHIND)
