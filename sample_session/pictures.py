"""The roof camera's pictures: the whole sky in a circle, small and grey, written as PNG."""

from __future__ import annotations

import math
import struct
import zlib
from datetime import datetime

import numpy as np
from conditions import cloud, dew, hours_between
from numpy.typing import NDArray
from pixels import Image, between, seeded
from plan import LATITUDE_DEG, at

SIZE_PX = 112
HORIZON_PX = 53.0

CLOCKS_OF_EVENING = ("18:30", "19:30", "20:30", "21:30", "22:30", "23:30")
CLOCKS_OF_MORNING = ("00:30", "01:30", "02:10", "02:40", "03:10", "04:00", "05:00", "06:00")
MOMENTS = tuple(at(f"{clock}:07") for clock in CLOCKS_OF_EVENING + CLOCKS_OF_MORNING)


def twilight(moment: datetime) -> float:
    """Return the sky's brightness, 0 to 1: it fades within two hours of sunset and returns before sunrise."""
    since_sunset = hours_between(at("18:05:00"), moment)
    to_sunrise = hours_between(moment, at("06:18:00"))
    return math.exp(-2.6 * max(0.0, since_sunset)) + math.exp(-2.6 * max(0.0, to_sunrise))


def star_places(moment: datetime) -> tuple[Image, Image, Image]:
    """Return where the stars above the horizon stand in the picture, and how bright they are."""
    rng = seeded(50)
    count = 420
    hour_angle = (
        between(rng, 0, 2 * math.pi, count) + 2 * math.pi * hours_between(at("18:00:00"), moment) / 23.934
    )
    sin_dec, latitude = between(rng, -0.6, 1, count), math.radians(LATITUDE_DEG)
    cos_dec = np.sqrt(1 - sin_dec**2)
    up = math.sin(latitude) * sin_dec + math.cos(latitude) * cos_dec * np.cos(hour_angle)
    north = math.cos(latitude) * sin_dec - math.sin(latitude) * cos_dec * np.cos(hour_angle)
    west = cos_dec * np.sin(hour_angle)
    from_centre = HORIZON_PX * np.arccos(np.clip(up, -1, 1)) / (math.pi / 2) / np.hypot(north, west)
    bright = 22 * between(rng, 0.02, 1, count) ** -0.75
    risen = up > 0.05
    # Seen from below: north is up in the picture and west is to the right.
    return (from_centre * west)[risen], (-from_centre * north)[risen], bright[risen]


def blur(image: Image, times: int) -> Image:
    """Return the image spread over its neighbours, as often as asked."""
    for _ in range(times):
        for axis in (0, 1):
            image = (np.roll(image, 1, axis) + 2 * image + np.roll(image, -1, axis)) / 4
    return image


def clouds(moment: datetime, x: Image, y: Image) -> Image:
    """Return the cloud bank's brightness, lit from the ground, as it drifts across."""
    drift = 40 * hours_between(at("22:00:00"), moment)
    waves = np.sin((x + drift) / 9 + 1.7 * np.sin(y / 13)) + 0.8 * np.sin((y - drift) / 6 + np.sin(x / 7))
    return cloud(moment) * (52 + 26 * waves)


def whole_sky(moment: datetime) -> Image:
    """Return the picture's brightness, 0 to 255, before noise."""
    y, x = np.mgrid[0:SIZE_PX, 0:SIZE_PX] - (SIZE_PX - 1) / 2.0
    from_centre = np.hypot(x, y)
    image = np.zeros((SIZE_PX, SIZE_PX))
    star_x, star_y, bright = star_places(moment)
    columns, rows = (np.rint(place + (SIZE_PX - 1) / 2).astype(int) for place in (star_x, star_y))
    np.add.at(
        image, (rows, columns), bright * (1 - 0.9 * cloud(moment)) * max(0.0, 1 - 2.5 * twilight(moment))
    )
    glow = 20 + 16 * (from_centre / HORIZON_PX) ** 4 + 190 * twilight(moment)
    image = blur(image * 2.6, 1) + glow + clouds(moment, x, y)
    lens_dew = dew(moment)
    image = (1 - 0.8 * lens_dew) * image + lens_dew * (
        0.8 * blur(image, 30) + 30 * np.exp(-((from_centre / 30) ** 2))
    )
    return np.where(from_centre < HORIZON_PX, image, 4.0)


def chunk(name: bytes, content: bytes) -> bytes:
    """Return one chunk of a PNG file (PNG specification, 5.3)."""
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


def stored(content: bytes) -> bytes:
    """Return a zlib stream of one stored block (RFC 1950, 1951): the same bytes from every zlib."""
    block = struct.pack("<BHH", 1, len(content), len(content) ^ 0xFFFF) + content
    return b"\x78\x01" + block + struct.pack(">I", zlib.adler32(content))


def png(image: NDArray[np.uint8]) -> bytes:
    """Return a grey image as a PNG file; at most 65535 bytes of pixels, since they go in one block."""
    rows = b"".join(b"\0" + row.tobytes() for row in image)
    size = struct.pack(">IIBBBBB", image.shape[1], image.shape[0], 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + chunk(b"IDAT", stored(rows)) + chunk(b"IEND", b"")


def picture(moment: datetime) -> bytes:
    """Return the roof camera's picture of a moment as a PNG file."""
    noise = 2.5 * seeded(51, moment.day, moment.hour, moment.minute).standard_normal((SIZE_PX, SIZE_PX))
    return png(np.clip(np.rint(whole_sky(moment) + noise), 0, 255).astype(np.uint8))
