"""Twilight: how dark the sun leaves the sky, and from when to when a night is dark."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from manifests.frames.sky.altitude import horizontal, sun_direction
from manifests.frames.sky.columns import modified_julian_dates, utc_of
from manifests.frames.sky.earth import earth_at

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from manifests.frames.sky.columns import Floats, Numbers

# The upper limb on the horizon: 34′ of refraction and 16′ of radius below it (Meeus 1998, chapter 15).
SUNSET_DEG = -50 / 60
CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG = -6.0, -12.0, -18.0

# The sun is looked at every ten minutes of a night, then every minute of those in which it crosses.
STEPS, STEPS_PER_DAY = 10, 144


class Twilight(StrEnum):
    """How dark the sun leaves the sky; each goes down to where the next begins."""

    DAY = "day"
    CIVIL = "civil twilight"
    NAUTICAL = "nautical twilight"
    ASTRONOMICAL = "astronomical twilight"
    NIGHT = "night"


@dataclass(frozen=True, slots=True)
class DarkHours:
    """The dark part of a night: between the end of evening twilight and the beginning of morning's."""

    dusk_utc: datetime
    dawn_utc: datetime

    @property
    def hours(self) -> float:
        """How long it is dark, hours."""
        return (self.dawn_utc - self.dusk_utc) / timedelta(hours=1)


def twilight_at(sun_altitude_deg: Numbers) -> NDArray[np.object_]:
    """Return the Twilight at each altitude of the sun's centre (no refraction); None where it is NaN."""
    import numpy as np

    altitude = np.asarray(sun_altitude_deg, dtype=np.float64)
    limits = [SUNSET_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG]
    steps = np.sum([altitude < limit for limit in limits], axis=0)
    # Filled as a column of objects: numpy would take a StrEnum for a string and lose its kind.
    names = np.empty(len(Twilight) + 1, dtype=object)
    names[:] = [*Twilight, None]
    return np.asarray(names[np.where(np.isnan(altitude), -1, steps)], dtype=object)


def sun_altitudes(mjd: Floats, latitude_deg: float, longitude_deg: float) -> Floats:
    """Return the altitude of the sun's centre (degrees, no refraction) at each moment, from sea level."""
    import numpy as np

    site = [np.full_like(mjd, value) for value in (latitude_deg, longitude_deg, 0.0)]
    earth = earth_at(mjd, *site)
    return horizontal(earth, sun_direction(earth))[0]


def night_dark_hours(
    night: date, latitude_deg: float, longitude_deg: float, limit_deg: float = ASTRONOMICAL_DEG
) -> DarkHours | None:
    """Return when the sun is below `limit_deg` in the night that begins on the evening of `night`.

    None where it never is (a summer at high latitude; a darkness of under ten minutes may be missed).
    Where it is all day long (a polar winter), dusk and dawn are the noons, in local mean solar time,
    between which the night is counted. Right to a few seconds, more where the sun only grazes the
    limit. Raises ValueError where latitude or longitude is none.
    """
    import numpy as np

    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 360.0):
        raise ValueError(f"no such place: latitude {latitude_deg}, longitude {longitude_deg}")
    noon = float(modified_julian_dates(datetime.combine(night, time(12), tzinfo=UTC))) - longitude_deg / 360.0
    times = noon + np.arange(STEPS_PER_DAY + 1) / STEPS_PER_DAY
    altitudes = sun_altitudes(times, latitude_deg, longitude_deg)
    deepest = int(np.argmin(altitudes))
    if altitudes[deepest] >= limit_deg:
        return None
    dusk, dawn = (
        _crossing(times[way], altitudes[way] >= limit_deg, limit_deg, (latitude_deg, longitude_deg))
        for way in (slice(deepest, None, -1), slice(deepest, None))
    )
    return DarkHours(utc_of(dusk), utc_of(dawn))


def _crossing(times: Floats, is_up: NDArray[np.bool_], limit_deg: float, site: tuple[float, float]) -> float:
    """Return when the sun first stands at the limit, going outwards from the deepest of the times."""
    import numpy as np

    if not is_up.any():
        return float(times[-1])
    first = int(np.argmax(is_up))
    closer = np.linspace(times[first - 1], times[first], STEPS + 1)
    return float(np.interp(limit_deg, sun_altitudes(closer, *site), closer))
