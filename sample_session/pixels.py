"""The pixels of a frame: one sensor, one optical train and two invented star fields, with their noise."""

from __future__ import annotations

import math

import numpy as np
from conditions import airmass, altitude_azimuth_deg, cloud, dew, pointing, star_size_px
from numpy.typing import NDArray
from plan import CAMERA_ANGLE_DEG, HEIGHT_PX, M51, SCALE_ARCSEC, WIDTH_PX, Exposure, Target

Image = NDArray[np.float64]

ELECTRONS_PER_COUNT = 0.8
READ_NOISE_E = 3.2
BIAS_COUNTS = 500.0
FILTERS = ("L", "Ha", "OIII")
# Sky brightness through each filter, how much of a star's and of a galaxy's light it lets through.
SKY_E_S = {"L": 2.4, "Ha": 0.12, "OIII": 0.2}
STAR_SHARE = {"L": 1.0, "Ha": 0.045, "OIII": 0.06}
GALAXY_SHARE = {"L": 1.0, "Ha": 0.05, "OIII": 0.035}
# The side from which the sky is brighter, as a rise across the frame in x and y: a town, the horizon.
SKY_TILT = {"L": (0.07, 0.16), "Ha": (-0.05, 0.09), "OIII": (0.10, 0.06)}


def seeded(*key: int) -> np.random.Generator:
    """Return the random numbers that belong to a key: the same for the same key, for ever."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence((20260314, *key))))


def between(rng: np.random.Generator, low: float, high: float, count: int) -> Image:
    """Return evenly spread numbers, made from integers only so that every numpy gives the same."""
    return low + (high - low) * rng.integers(0, 2**32, count) / 2**32


def grid() -> tuple[Image, Image]:
    """Return each pixel's x and y."""
    y, x = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX]
    return x.astype(np.float64), y.astype(np.float64)


def hot_pixels() -> Image:
    """Return each pixel's dark current in electrons a second: low, but for some that are always hot."""
    rng = seeded(1)
    rate = np.full((HEIGHT_PX, WIDTH_PX), 0.004)
    count = 95
    rows, columns = rng.integers(0, HEIGHT_PX, count), rng.integers(0, WIDTH_PX, count)
    rate[rows, columns] = 0.2 * between(rng, 0.08, 1.0, count) ** -2
    return rate


def bias_pattern() -> Image:
    """Return the sensor's zero level in counts: faint columns and a glow along one edge."""
    columns = seeded(2).standard_normal(WIDTH_PX) * 1.6
    x, _ = grid()
    return BIAS_COUNTS + columns[np.newaxis, :] + 7 * np.exp(-(WIDTH_PX - x) / 9)


def mote(x: Image, y: Image, radius_px: float, depth: float) -> Image:
    """Return what a speck of dust leaves of the light: a soft ring around the given offsets."""
    away = np.sqrt(x**2 + y**2)
    ring = np.exp(-(((away - 0.75 * radius_px) / (0.28 * radius_px)) ** 2))
    disc = 0.4 / (1 + np.exp((away - radius_px) * 1.5))
    return 1 - depth * (ring + disc)


def evenness(filter_name: str) -> Image:
    """Return each pixel's share of the light: vignetting, the sensor's dust, and that of one filter."""
    x, y = grid()
    from_centre = np.hypot(x - WIDTH_PX * 0.51, y - HEIGHT_PX * 0.47) / (WIDTH_PX / 2)
    share = 1 / (1 + 0.24 * from_centre**2) ** 2
    for seed, radius_px, depth, count in (
        (3, 4.0, 0.10, 3),
        (4 + FILTERS.index(filter_name), 10.0, 0.07, 2),
    ):
        rng = seeded(seed)
        places = zip(
            between(rng, 10, WIDTH_PX - 10, count), between(rng, 10, HEIGHT_PX - 10, count), strict=True
        )
        for centre_x, centre_y in places:
            share = share * mote(x - centre_x, y - centre_y, radius_px, depth)
    return share


def pixel_to_sky(exposure: Exposure) -> tuple[Image, Image]:
    """Return each pixel's offset from the target in arcseconds, east and north."""
    x, y = grid()
    right, up = (x - (WIDTH_PX - 1) / 2) * SCALE_ARCSEC, (y - (HEIGHT_PX - 1) / 2) * SCALE_ARCSEC
    turn = math.radians(CAMERA_ANGLE_DEG + (180 if exposure.flipped else 0))
    east = -right * math.cos(turn) + up * math.sin(turn)
    north = right * math.sin(turn) + up * math.cos(turn)
    return east + exposure.offset_arcsec[0], north + exposure.offset_arcsec[1]


def star_profile(away_squared_px: Image, width_px: float) -> Image:
    """Return a Moffat profile (β = 3) of the given full width at half maximum, its sum 1."""
    alpha_squared = width_px**2 / (4 * (2 ** (1 / 3) - 1))
    away = 1 + away_squared_px / alpha_squared
    # Multiplied out: a power of arrays is slow, and not rounded alike everywhere.
    return 2 / (math.pi * alpha_squared) / (away * away * away)


def star_field(exposure: Exposure, target: Target, width_px: float) -> Image:
    """Return the target's stars in electrons a second; dew spreads part of their light into haloes."""
    rng = seeded(20, round(target.ra_deg))
    count = 130
    stars_east, stars_north = between(rng, -620, 620, count), between(rng, -620, 620, count)
    rates = 9 * between(rng, 0.004, 1.0, count) ** -1.25
    east, north = pixel_to_sky(exposure)
    halo = 0.45 * dew(exposure.middle)
    image = np.zeros((HEIGHT_PX, WIDTH_PX))
    for star_east, star_north, rate in zip(stars_east, stars_north, rates, strict=True):
        away = ((east - star_east) ** 2 + (north - star_north) ** 2) / SCALE_ARCSEC**2
        image += rate * (1 - halo) * star_profile(away, width_px)
        if halo:
            image += rate * halo * star_profile(away, 5 * width_px)
    return image


def face_on_galaxy(east: Image, north: Image) -> Image:
    """Return a spiral seen from above with its companion, in electrons a second."""
    radius = np.hypot(east, north) + 1
    winding = np.arctan2(north, east) + np.log(radius / 40) / math.tan(math.radians(19))
    arms = (1 + 0.85 * np.cos(2 * winding)) * radius / (radius + 25)
    spiral = 7 * np.exp(-radius / 105) * (0.35 + arms) + 30 * np.exp(-((radius / 13) ** 2))
    companion = np.hypot(east - 70, north - 257)
    bridge = 1.4 * np.exp(-(((east - 60) / 22) ** 2)) * np.exp(-(((north - 190) / 70) ** 2))
    return spiral + bridge + 22 * np.exp(-companion / 17)


def edge_on_galaxy(east: Image, north: Image) -> Image:
    """Return a disc seen from the side with its dust lane, in electrons a second; its long axis at 136°."""
    turn = math.radians(136)
    along = east * math.sin(turn) + north * math.cos(turn)
    across = east * math.cos(turn) - north * math.sin(turn)
    disc = 13 * np.exp(-np.abs(along) / 125) * np.exp(-np.abs(across) / 13)
    bulge = 18 * np.exp(-np.hypot(along / 1.5, across) / 15)
    lane = 1 - 0.7 * np.exp(-(((across - 5) / 5) ** 2)) * np.exp(-((along / 230) ** 2))
    return (disc + bulge) * lane


def galaxy(exposure: Exposure, target: Target) -> Image:
    """Return the target's own light in electrons a second through a clear filter."""
    east, north = pixel_to_sky(exposure)
    return face_on_galaxy(east, north) if target is M51 else edge_on_galaxy(east, north)


def through_the_air(exposure: Exposure, altitude_deg: float) -> float:
    """Return the share of a star's light that arrives: air, cloud and dew each take theirs."""
    clear = 10 ** (-0.4 * 0.18 * (airmass(altitude_deg) - 1))
    return clear * (1 - 0.75 * cloud(exposure.middle)) * (1 - 0.5 * dew(exposure.middle))


def sky(filter_name: str, altitude_deg: float) -> Image:
    """Return the sky's own light in electrons a second: a slope across the frame, brighter low down."""
    x, y = grid()
    tilt_x, tilt_y = SKY_TILT[filter_name]
    slope = 1 + tilt_x * (x / WIDTH_PX - 0.5) + tilt_y * (y / HEIGHT_PX - 0.5)
    return SKY_E_S[filter_name] * slope * (0.6 + 0.4 * airmass(altitude_deg))


def light_rate(exposure: Exposure, target: Target, filter_name: str) -> Image:
    """Return what falls on each pixel in electrons a second, before vignetting and dust."""
    altitude_deg, _ = altitude_azimuth_deg(*pointing(target, exposure.offset_arcsec), exposure.middle)
    width_px = star_size_px(exposure.middle, altitude_deg)
    stars = STAR_SHARE[filter_name] * star_field(exposure, target, width_px)
    objects = stars + GALAXY_SHARE[filter_name] * galaxy(exposure, target)
    return objects * through_the_air(exposure, altitude_deg) + sky(filter_name, altitude_deg)


def collected_e(exposure: Exposure) -> Image:
    """Return the electrons each pixel holds when the shutter closes, without noise."""
    dark = hot_pixels() * exposure.exposure_s
    if exposure.filter_name is None:
        return dark
    if exposure.target is None:
        return dark + 21000 * (1 + 0.06 * (exposure.number - 2)) * evenness(exposure.filter_name)
    rate = light_rate(exposure, exposure.target, exposure.filter_name)
    return dark + rate * evenness(exposure.filter_name) * exposure.exposure_s


def pixels(exposure: Exposure, index: int) -> NDArray[np.uint16]:
    """Return the exposure's pixels as the camera writes them; `index` keeps each frame's noise its own."""
    rng = seeded(100, index)
    electrons = collected_e(exposure)
    noisy = electrons + np.sqrt(electrons) * rng.standard_normal(electrons.shape)
    noisy += READ_NOISE_E * rng.standard_normal(electrons.shape)
    counts = np.rint(noisy / ELECTRONS_PER_COUNT + bias_pattern())
    return np.clip(counts, 0, 65535).astype(np.uint16)
