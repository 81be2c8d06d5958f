"""Frames nobody took: entries of bags, headers that say the same, and whole indexes of any size."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from math import acos, degrees
from pathlib import Path
from typing import Any, BinaryIO

from manifests.bags.bag import BagWriter
from manifests.bags.digests import Digests
from manifests.bags.entries import Entry
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.index.cones import direction
from manifests.index.opening import open_index
from manifests.index.schema import FILE_COLUMNS, SERIES_COLUMNS, insertion
from manifests.index.summaries import sum_up

FIRST_NIGHT = date(2016, 1, 4)
FRAMES_A_NIGHT = 500
NIGHTS_A_TARGET = 4
TARGETS_A_NIGHT = 3
FILTERS = ("Ha", "OIII", "SII")
LIGHTS_EACH = 36
CALIBRATION = (
    (FrameType.DARK, None, 300.0, 60),
    (FrameType.BIAS, None, 0.0, 50),
    *((FrameType.FLAT, name, 2.5, 22) for name in FILTERS),
)
# Findings, and frames in twilight, are of the first nights only: in both indexes there are equally many.
SPECIAL_NIGHTS = 20


def lights(count: int) -> Iterator[Entry]:
    """Return the entries of filed lights."""
    sky = FrameSky(339.267, 34.416, 61.5, 182.0, 1.14, -33.0, -12.0, 0.21, 95.0)
    for number in range(count):
        night = FIRST_NIGHT + timedelta(days=number // 100)
        name = f"Field 1 Ha 300 s {number:05}.fits"
        begun = datetime(night.year, night.month, night.day, 20, tzinfo=UTC) + timedelta(
            minutes=5 * (number % 100)
        )
        digest = hashlib.sha256(name.encode()).hexdigest()
        yield Entry(
            path=f"data/{night}/Ha/{name}",
            size_bytes=52_191_360,
            digests=Digests(digest, digest[:32]),
            modified_ns=int(begun.timestamp()) * 10**9,
            source="frames",
            original=f"{night}/{name}",
            night=night,
            read_back="medium",
            frame=Frame(
                frame_type=FrameType.LIGHT,
                image_type="Light Frame",
                object_name="Field 1",
                filter_name="H-alpha",
                begun_utc=begun,
                exposure_s=300.0,
                camera="Lantern 26M",
                telescope="Refractor 80",
                program="Dusk to dawn 3.1",
                width_px=6248,
                height_px=4176,
                bin_x=1,
                bin_y=1,
                gain=100.0,
                offset=30.0,
                readout_mode="low noise",
                sensor_deg_c=-10.0 + number % 3 / 10,
                setpoint_deg_c=-10.0,
                ra_deg=339.267,
                dec_deg=34.416,
                rotation_deg=91.3,
                focal_length_mm=480.0,
                pixel_um=3.76,
                altitude_deg=61.4,
                airmass=1.14,
                site_latitude_deg=51.2,
                site_longitude_deg=-1.9,
                focuser_position=12840.0,
                focuser_deg_c=6.4,
                ambient_deg_c=5.9,
            ),
            target="Field 1",
            filter="Ha",
            sky=sky,
        )


CARDS = {
    "object_name": "OBJECT", "image_type": "IMAGETYP", "filter_name": "FILTER", "exposure_s": "EXPTIME",
    "camera": "INSTRUME", "telescope": "TELESCOP", "program": "SWCREATE", "bin_x": "XBINNING",
    "bin_y": "YBINNING", "gain": "GAIN", "offset": "OFFSET", "readout_mode": "READOUTM",
    "sensor_deg_c": "CCD-TEMP", "setpoint_deg_c": "SET-TEMP", "ra_deg": "RA", "dec_deg": "DEC",
    "rotation_deg": "POSANGLE", "focal_length_mm": "FOCALLEN", "pixel_um": "XPIXSZ",
    "altitude_deg": "CENTALT", "airmass": "AIRMASS", "site_latitude_deg": "SITELAT",
    "site_longitude_deg": "SITELONG", "focuser_position": "FOCPOS", "focuser_deg_c": "FOCTEMP",
    "ambient_deg_c": "AMBTEMP",
}  # fmt: skip


def header_of(frame: Frame) -> bytes:
    """Write a header that says what the frame does (FITS Standard 4.0, section 4.1); no data follow."""
    cards = [f"{'SIMPLE':8}= {'T':>20}", f"{'BITPIX':8}= {16:>20}", f"{'NAXIS':8}= {0:>20}"]
    for fact, key in CARDS.items():
        value = getattr(frame, fact)
        cards.append(f"{key:8}= '{value:8}'" if isinstance(value, str) else f"{key:8}= {value:>20}")
    assert frame.begun_utc is not None
    cards += [f"{'DATE-OBS':8}= '{frame.begun_utc:%Y-%m-%dT%H:%M:%S}'"]
    cards += [f"{f'NOTE{number:04}':8}= '{'as any program writes them':8}'" for number in range(12)] + ["END"]
    text = "".join(f"{card:80}" for card in cards).encode()
    return text + b" " * (-len(text) % 2880)


def write_bag(folder: Path, entries: Iterable[Entry]) -> None:
    """Write a bag's lists; an index reads nothing else."""

    def create(name: str) -> BinaryIO:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        return (folder / name).open("wb")

    (folder / "data").mkdir(parents=True)
    writer = BagWriter(create, {})
    for entry in entries:
        writer.add(entry)
    writer.close()


def position_of(target: int) -> tuple[float, float]:
    """Spread the targets over the sky."""
    return (target * 137.508) % 360.0, degrees(acos(1 - 2 * ((target * 0.618034) % 1.0))) - 90.0


def series_of_night(night_number: int) -> Iterator[tuple[str, str | None, str | None, FrameType, float, int]]:
    """Return bag, target, filter, type, exposure and number of frames of each series of a night."""
    first = night_number // NIGHTS_A_TARGET * TARGETS_A_NIGHT
    for target in range(first, first + TARGETS_A_NIGHT):
        for name in FILTERS:
            yield f"Field {target}", f"Field {target}", name, FrameType.LIGHT, 300.0, LIGHTS_EACH
    for kind, name, exposure_s, count in CALIBRATION:
        yield "calibration", None, name, kind, exposure_s, count


def fill(path: Path, count: int) -> None:
    """Make an index of so many frames, its rows put straight into the tables."""
    with open_index(path, write=True) as index, index.writing() as connection:
        for number in range(count // FRAMES_A_NIGHT):
            add_night(connection, number)
        connection.execute(
            "INSERT INTO findings SELECT bag_id, files.id, 'no date in the header', '', ''"
            " FROM files JOIN series ON series.id = series_id WHERE files.findings"
        )


def add_night(connection: sqlite3.Connection, number: int) -> None:
    """Put a night's rows into the tables; its bags are those of nights before it where they have them."""
    night = FIRST_NIGHT + timedelta(days=number)
    minute = 0
    for bag, target, name, kind, exposure_s, frames in series_of_night(number):
        connection.execute("INSERT OR IGNORE INTO bags (path) VALUES (?)", (bag,))
        (bag_id,) = connection.execute("SELECT id FROM bags WHERE path = ?", (bag,)).fetchone()
        key = series_row(night, target, name, kind)
        connection.execute(insertion("series", ("bag_id", *SERIES_COLUMNS)), (bag_id, *key))
        (series_id,) = connection.execute("SELECT max(id) FROM series").fetchone()
        rows = [
            file_row(series_id, number, night, target, name, kind, exposure_s, minute + each)
            for each in range(frames)
        ]
        connection.executemany(insertion("files", FILE_COLUMNS), rows)
        sum_up(connection, [series_id])
        minute += frames


def series_row(night: date, target: str | None, name: str | None, kind: FrameType) -> tuple[Any, ...]:
    """Return the columns of a series."""
    row = dict.fromkeys(SERIES_COLUMNS) | {
        "is_frame": 1, "in_use": 1, "night": night.isoformat(), "target": target, "filter": name,
        "frame_type": kind.value, "image_type": kind.value.title(), "object_name": target,
        "filter_name": name, "camera": "Lantern 26M", "telescope": "Refractor 80",
        "program": "Dusk to dawn 3.1", "readout_mode": "low noise", "width_px": 6248, "height_px": 4176,
        "bin_x": 1, "bin_y": 1, "gain": 100.0, "offset": 30.0, "pixel_um": 3.76,
    }  # fmt: skip
    return tuple(row.values())


def file_row(
    series_id: int,
    night_number: int,
    night: date,
    target: str | None,
    name: str | None,
    kind: FrameType,
    exposure_s: float,
    minute: int,
) -> tuple[Any, ...]:
    """Return the columns of a file."""
    path = f"data/{night}/{name or kind.value}/{target or 'cal'}_{name or kind.value}_{minute:04}.fits"
    digest = hashlib.sha256(f"{night}{path}".encode()).digest()
    begun = datetime(night.year, night.month, night.day, 18, tzinfo=UTC) + timedelta(minutes=minute)
    row = dict.fromkeys(FILE_COLUMNS) | {
        "series_id": series_id, "path": path, "size_bytes": 52_191_360, "sha256": digest,
        "line_digest": int.from_bytes(digest[:8], "big", signed=True),
        "findings": int(night_number < SPECIAL_NIGHTS and minute == 7), "field_deg": 1.87,
        "begun_us": int(begun.timestamp()) * 1_000_000, "exposure_s": exposure_s, "sensor_deg_c": -10.1,
        "setpoint_deg_c": -10.0, "rotation_deg": 91.3, "focal_length_mm": 480.0, "focuser_position": 12840.0,
        "focuser_deg_c": 6.4, "ambient_deg_c": 5.9, "site_latitude_deg": 51.2, "site_longitude_deg": -1.9,
    }  # fmt: skip
    if target is not None:
        ra_deg, dec_deg = position_of(int(target.removeprefix("Field ")))
        x, y, z = direction(ra_deg, dec_deg)
        twilight = night_number < SPECIAL_NIGHTS and minute < 3
        row |= {
            "direction_x": x, "direction_y": y, "direction_z": z, "ra_deg": ra_deg, "dec_deg": dec_deg,
            "altitude_deg": 61.4, "airmass": 1.14, "sky_ra_deg": ra_deg, "sky_dec_deg": dec_deg,
            "sky_altitude_deg": 30.0 + minute % 30, "sky_azimuth_deg": 182.0, "sky_airmass": 1.14,
            "sky_sun_altitude_deg": -9.5 if twilight else -33.0, "sky_moon_altitude_deg": -12.25,
            "sky_moon_illumination": 0.21, "sky_moon_separation_deg": 95.5,
        }  # fmt: skip
    return tuple(row.values())
