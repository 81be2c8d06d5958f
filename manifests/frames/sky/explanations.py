"""What may be wrong where a header's altitude does not fit: the clock, or a sign of the site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from manifests.frames.sky.facts import Sky

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from manifests.frames.sky.columns import Floats, Numbers

# How far the sky turns in an hour of the clock (Meeus 1998, formula 12.4).
SKY_DEG_PER_HOUR = 360.98564736629 / 24

# Twelve hours either way reach all the altitudes that a clock off by whole hours can give.
MOST_HOURS = 12

# Legal times that are no whole hours from UTC, summer time included, in use in the IANA time zone database.
BROKEN_HOURS = (-9.5, -3.5, -2.5, 3.5, 4.5, 5.5, 5.75, 6.5, 8.75, 9.5, 10.5, 12.75, 13.75)

# Legal time runs from about an hour behind mean solar time to two and a half ahead of it, summer
# time included (common practice).
LOCAL_TIME_HOURS = (-1.0, 2.5)


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One possible mistake: a clock so many hours ahead of UTC (negative: behind), or a sign of the site."""

    clock_ahead_h: float = 0.0
    longitude_turned: bool = False
    latitude_turned: bool = False

    def is_possible(self, longitude_deg: Floats) -> NDArray[np.bool_]:
        """Return where on Earth this may be: a clock off by broken hours only as the local time there."""
        import numpy as np

        if self.clock_ahead_h == int(self.clock_ahead_h):
            return np.ones(np.shape(longitude_deg), dtype=np.bool_)
        least, most = LOCAL_TIME_HOURS
        ahead_of_sun = self.clock_ahead_h - longitude_deg / 15.0
        possible: NDArray[np.bool_] = (least <= ahead_of_sun) & (ahead_of_sun <= most)
        return possible

    def words(self, longitude_deg: float) -> str:
        """Return it in words, with whether the clock may have been on local time at this longitude."""
        if self.longitude_turned:
            return "a longitude with the wrong sign"
        if self.latitude_turned:
            return "a latitude with the wrong sign"
        if abs(self.clock_ahead_h) == MOST_HOURS:
            return f"a clock {MOST_HOURS} h off"  # a day later the same sky is back: no telling which way
        off = f"a clock {_hours(abs(self.clock_ahead_h))} {'ahead' if self.clock_ahead_h > 0 else 'behind'}"
        least, most = LOCAL_TIME_HOURS
        local = least <= self.clock_ahead_h - longitude_deg / 15.0 <= most
        return f"{off} (local time instead of UTC?)" if local else off


NOTHING_WRONG = Suspicion()


def _hours(hours: float) -> str:
    minutes = round(hours % 1 * 60)
    return f"{int(hours)} h {minutes} min" if minutes else f"{int(hours)} h"


def all_suspicions() -> list[Suspicion]:
    """Return everything that is tried."""
    hours = [Suspicion(clock_ahead_h=sign * hour) for hour in range(1, MOST_HOURS + 1) for sign in (1, -1)]
    broken = [Suspicion(clock_ahead_h=hour) for hour in BROKEN_HOURS]
    return [*hours, *broken, Suspicion(longitude_turned=True), Suspicion(latitude_turned=True)]


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Each target's path across the sky of its site during its exposure; a column each."""

    hour_angle_deg: Floats
    declination_deg: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    half_exposure_h: Floats

    def altitudes_deg(self, suspicion: Suspicion = NOTHING_WRONG) -> Floats:
        """Return the altitudes at the exposure's start, middle and end (rows) if `suspicion` is right."""
        import numpy as np

        hours = np.outer([-1.0, 0.0, 1.0], self.half_exposure_h) - suspicion.clock_ahead_h
        turned = -2.0 * self.longitude_deg if suspicion.longitude_turned else 0.0
        hour_angle = self.hour_angle_deg + turned + hours * SKY_DEG_PER_HOUR
        latitude = np.radians(-self.latitude_deg if suspicion.latitude_turned else self.latitude_deg)
        declination = np.radians(self.declination_deg)
        across = np.cos(latitude) * np.cos(declination) * np.cos(np.radians(hour_angle))
        return _arcsine_deg(np.sin(latitude) * np.sin(declination) + across)


def track_of(sky: Sky, latitude_deg: Numbers, longitude_deg: Numbers, exposures_s: Floats) -> Track:
    """Return the tracks of targets whose mid-exposure altitude and azimuth a Sky holds.

    Hour angle and declination follow from them by spherical trigonometry (Meeus 1998, chapter 13).
    """
    import numpy as np

    altitude, azimuth = np.radians(sky.altitude_deg), np.radians(sky.azimuth_deg)
    latitude = np.radians(np.broadcast_to(np.asarray(latitude_deg, dtype=np.float64), altitude.shape))
    north = np.cos(altitude) * np.cos(azimuth)
    west = -np.cos(altitude) * np.sin(azimuth)
    to_meridian = np.cos(latitude) * np.sin(altitude) - np.sin(latitude) * north
    return Track(
        hour_angle_deg=np.degrees(np.arctan2(west, to_meridian)),
        declination_deg=_arcsine_deg(np.sin(latitude) * np.sin(altitude) + np.cos(latitude) * north),
        latitude_deg=np.degrees(latitude),
        longitude_deg=np.broadcast_to(np.asarray(longitude_deg, dtype=np.float64), altitude.shape),
        half_exposure_h=exposures_s / 2.0 / 3600.0,
    )


def _arcsine_deg(sine: Floats) -> Floats:
    """Return the arc sine in degrees; rounding may carry a sine past 1."""
    import numpy as np

    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
