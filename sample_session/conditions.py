"""What the air, the optics and the star images are like at any moment of the night."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from plan import FLIP, LATITUDE_DEG, LONGITUDE_DEG, Exposure, Target, at, focus_runs

FOCUS_OFFSETS = {"L": 0, "Ha": 18, "OIII": -12}


def hours_between(earlier: datetime, later: datetime) -> float:
    """Return the hours from one moment to another."""
    return (later - earlier).total_seconds() / 3600


def rise_and_fall(moment: datetime, clocks: tuple[str, str, str, str]) -> float:
    """Return 0 before the first clock and after the last, 1 between the middle two, a slope in between."""
    start, full, waning, end = (at(clock) for clock in clocks)
    up = hours_between(start, moment) / hours_between(start, full)
    down = hours_between(moment, end) / hours_between(waning, end)
    return min(1.0, max(0.0, min(up, down)))


def dew(moment: datetime) -> float:
    """Return how much dew is on the front lens, 0 to 1: it spoils what is taken around 02:40."""
    return rise_and_fall(moment, ("02:14:00", "02:40:00", "02:54:00", "03:22:00"))


def cloud(moment: datetime) -> float:
    """Return how much of the sky cloud covers, 0 to 1: one bank passes before midnight."""
    return rise_and_fall(moment, ("22:14:00", "22:30:00", "22:44:00", "22:58:00"))


def ambient_deg_c(moment: datetime) -> float:
    """Return the air's temperature: a clear evening that cools, a little warmer under cloud."""
    since_18 = hours_between(at("18:00:00"), moment)
    ripple = 0.12 * math.sin(since_18 * 5.1) + 0.07 * math.sin(since_18 * 13.7)
    return 2.9 + 7.1 * math.exp(-since_18 / 3.6) + 0.5 * cloud(moment) + ripple


def humidity_percent(moment: datetime) -> float:
    """Return the relative humidity: it climbs until the dew falls at 02:40, then a breeze dries the air."""
    to_dew = hours_between(at("18:00:00"), moment) / hours_between(at("18:00:00"), at("02:40:00"))
    climbing = 64 + 34.2 * min(1.0, to_dew) ** 0.8
    after = max(0.0, hours_between(at("02:50:00"), moment))
    return climbing - 11 * (1 - math.exp(-after / 0.9)) - 1.5 * cloud(moment)


def dew_point_deg_c(temperature_deg_c: float, relative_humidity_percent: float) -> float:
    """Return the dew point by the Magnus formula (constants of Alduchov & Eskridge 1996), over water."""
    b, c = 17.625, 243.04
    gamma = math.log(relative_humidity_percent / 100) + b * temperature_deg_c / (c + temperature_deg_c)
    return c * gamma / (b - gamma)


def wind_m_s(moment: datetime) -> float:
    """Return the wind: almost still until the breeze that ends the dew."""
    since_18 = hours_between(at("18:00:00"), moment)
    breeze = 2.2 * rise_and_fall(moment, ("02:50:00", "03:40:00", "06:00:00", "10:00:00"))
    return 0.7 + breeze + 0.3 * math.sin(since_18 * 7.3) + 0.2 * math.sin(since_18 * 19.1)


def tube_deg_c(moment: datetime) -> float:
    """Return the telescope tube's temperature: it radiates to a clear sky, so a little below the air's."""
    return ambient_deg_c(moment) - 0.4 + 0.3 * cloud(moment)


def sensor_deg_c(exposure: Exposure) -> float:
    """Return the sensor's temperature as the camera reports it: within a tenth or two of what was asked."""
    return -10.0 + (exposure.begun.second % 5 - 2) / 10


def best_focus(moment: datetime, filter_name: str) -> int:
    """Return the focuser's best position in steps: it follows the tube's temperature."""
    return 12480 + round(42 * (tube_deg_c(moment) - 5)) + FOCUS_OFFSETS[filter_name]


def focus_in_use(moment: datetime) -> int:
    """Return the position that the last focusing run before a moment found; before any, that of dusk."""
    positions = [best_focus(run.begun, run.filter_name) for run in focus_runs() if run.begun <= moment]
    return positions[-1] if positions else 12575


def julian_day(moment: datetime) -> float:
    """Return the Julian day of a moment in UTC."""
    return 2451545.0 + hours_between(datetime(2000, 1, 1, 12, tzinfo=UTC), moment) / 24


def position_of_date(ra_deg: float, dec_deg: float, moment: datetime) -> tuple[float, float]:
    """Return a J2000 position precessed to a moment, in radians (Meeus 1998, 21.3–21.4)."""
    t = (julian_day(moment) - 2451545) / 36525
    zeta = math.radians((2306.2181 * t + 0.30188 * t**2 + 0.017998 * t**3) / 3600)
    z = math.radians((2306.2181 * t + 1.09468 * t**2 + 0.018203 * t**3) / 3600)
    theta = math.radians((2004.3109 * t - 0.42665 * t**2 - 0.041833 * t**3) / 3600)
    ra, dec = math.radians(ra_deg) + zeta, math.radians(dec_deg)
    a = math.cos(dec) * math.sin(ra)
    b = math.cos(theta) * math.cos(dec) * math.cos(ra) - math.sin(theta) * math.sin(dec)
    c = math.sin(theta) * math.cos(dec) * math.cos(ra) + math.cos(theta) * math.sin(dec)
    return math.atan2(a, b) + z, math.asin(c)


def altitude_azimuth_deg(ra_deg: float, dec_deg: float, moment: datetime) -> tuple[float, float]:
    """Return a J2000 position's altitude and azimuth from north, unrefracted (Meeus 12.4, 13.5–13.6)."""
    days = julian_day(moment) - 2451545
    sidereal_deg = 280.46061837 + 360.98564736629 * days + 0.000387933 * (days / 36525) ** 2 + LONGITUDE_DEG
    ra, dec = position_of_date(ra_deg, dec_deg, moment)
    hour_angle, latitude = math.radians(sidereal_deg) - ra, math.radians(LATITUDE_DEG)
    sine = math.sin(latitude) * math.sin(dec) + math.cos(latitude) * math.cos(dec) * math.cos(hour_angle)
    from_south = math.atan2(
        math.sin(hour_angle), math.cos(hour_angle) * math.sin(latitude) - math.tan(dec) * math.cos(latitude)
    )
    return math.degrees(math.asin(sine)), (math.degrees(from_south) + 180) % 360


def airmass(altitude_deg: float) -> float:
    """Return the relative airmass (Kasten & Young 1989)."""
    return 1 / (math.sin(math.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)


def pointing(target: Target, offset_arcsec: tuple[float, float]) -> tuple[float, float]:
    """Return the telescope's right ascension and declination (J2000, degrees) for an offset from a target."""
    east, north = offset_arcsec
    dec_deg = target.dec_deg + north / 3600
    return target.ra_deg + east / 3600 / math.cos(math.radians(dec_deg)), dec_deg


def pier_side(moment: datetime) -> str:
    """Return the side of the pier that the tube is on."""
    return "EAST" if moment >= FLIP else "WEST"


def star_size_px(moment: datetime, altitude_deg: float) -> float:
    """Return the stars' full width at half maximum in pixels: worse low down and through dew."""
    return 1.7 * airmass(altitude_deg) ** 0.4 * (1 + 0.95 * dew(moment))


def guiding_rms_arcsec(moment: datetime) -> float:
    """Return the guiding's error, root mean square: the guide star fades through dew and cloud."""
    breeze = 0.04 * max(0.0, wind_m_s(moment) - 1)
    return 0.52 + 1.25 * dew(moment) + 0.9 * cloud(moment) + breeze
