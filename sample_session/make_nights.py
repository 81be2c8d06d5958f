"""Make fourteen invented nights of one winter: logs, small frames, a drive, a configuration, and verdicts.

    python sample_session/make_nights.py FOLDER

The site, camera and telescope are those of the sample session. What is in FOLDER then:

    telescope/            the imaging computer's folders, all nights in them
    stick/, archive/      a prepared folder that stands for a drive, and the archive's
    nightferry.toml       for both computers
    verdicts.txt          a line for each night: date, verdict, why

What happened, which nothing in the files says in so many words:

    planted   in six nights the box on the telescope gets colder than 1 °C, and from then on its hub does
              not respond: no frame comes any more. The readings explain it
    planted   on 2026-01-26 the mount stops at 22:41 in mild air, with all readings as they always are.
              Nothing explains it
    quiet     on 2026-01-18 nothing happens at all

All else is chance: wind, humidity and supply are drawn alike for all nights (PCG64, seeded). Times are UTC.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from plan import (
    CAMERA,
    FOCAL_LENGTH_MM,
    LATITUDE_DEG,
    LONGITUDE_DEG,
    PIXEL_UM,
    SETPOINT_DEG_C,
    SITE,
    TELESCOPE,
)

HUB_FAILS_DEG_C = 1.0
BOX_ABOVE_AIR_DEG_C = 2.4
EXPOSURE_S = 1200.0
BETWEEN_S = 25.0
STEP = timedelta(minutes=5)
MARK = """\
id = "0d7e2f4c-9b1a-4c3e-8f50-6a2b91d7c3e8"
name = "Winter stick"
prepared = 2026-01-01T15:00:00Z
"""


@dataclass(frozen=True, slots=True)
class WinterNight:
    """One night: the air's temperature at 16:00 and towards morning, °C, and how it went."""

    date: str
    evening_deg_c: float
    morning_deg_c: float
    verdict: str
    because: str = ""
    mount_stops: str = ""

    @property
    def number(self) -> int:
        """Return a number of its own, for what is drawn."""
        return int(self.date.replace("-", ""))

    @property
    def begun(self) -> datetime:
        """Return 16:00 UTC of its evening."""
        return datetime.fromisoformat(f"{self.date}T16:00:00").replace(tzinfo=UTC)

    @property
    def ended(self) -> datetime:
        """Return 08:00 UTC of its morning."""
        return self.begun + timedelta(hours=16)


NIGHTS = (
    WinterNight("2026-01-03", 3.1, -5.2, "poor", "the hub was gone again, it must be the new driver"),
    WinterNight("2026-01-06", 7.9, 2.4, "good"),
    WinterNight("2026-01-09", 6.0, 0.6, "good"),
    WinterNight("2026-01-11", 2.2, -6.4, "lost", "nothing after ten, the wireless?"),
    WinterNight("2026-01-14", 9.3, 4.1, "good"),
    WinterNight("2026-01-18", 6.8, 1.9, "good", "quiet"),
    WinterNight("2026-01-20", 4.4, -4.1, "poor", "hub"),
    WinterNight("2026-01-23", 8.2, 3.3, "good"),
    WinterNight("2026-01-26", 7.5, 2.8, "lost", "the mount stood still", mount_stops="22:41:09"),
    WinterNight("2026-01-29", 5.1, -3.6, "poor", "hub, with the old driver"),
    WinterNight("2026-02-02", 7.0, 1.2, "good"),
    WinterNight("2026-02-05", 3.7, -4.8, "poor", "hub, by cable this time"),
    WinterNight("2026-02-09", 10.1, 5.0, "good"),
    WinterNight("2026-02-12", 2.9, -5.9, "lost", "hub"),
)


def air_deg_c(night: WinterNight, moment: datetime) -> float:
    """Return the air's temperature: it falls fast in the evening, and ever slower."""
    hours = (moment - night.begun).total_seconds() / 3600
    return night.morning_deg_c + (night.evening_deg_c - night.morning_deg_c) * float(np.exp(-hours / 4.5))


def every(night: WinterNight) -> Iterator[datetime]:
    """Return the moments at which the night's programs write something."""
    moment = night.begun
    while moment <= night.ended:
        yield moment
        moment += STEP


def wandering(night: WinterNight, what: int, middle: float, spread: float) -> Iterator[float]:
    """Return values that wander about a middle of the night's own, drawn alike for every night."""
    draw = np.random.Generator(np.random.PCG64([night.number, what]))
    value = own = middle + spread * float(draw.standard_normal())
    while True:
        yield value
        value = own + 0.9 * (value - own) + 0.2 * spread * float(draw.standard_normal())


def stops(night: WinterNight) -> tuple[datetime, str] | None:
    """Return when and why the night ended early, or None: the hub in the cold, or the mount for no reason."""
    if night.mount_stops:
        return datetime.fromisoformat(f"{night.date}T{night.mount_stops}").replace(tzinfo=UTC), "mount"
    dark = night.begun + timedelta(hours=2, minutes=10)
    for moment in every(night):
        if moment > dark and air_deg_c(night, moment) + BOX_ABOVE_AIR_DEG_C < HUB_FAILS_DEG_C:
            return moment + timedelta(seconds=101), "hub"
    return None


def weather(night: WinterNight) -> bytes:
    """Return the mast's table: semicolons, decimal commas."""
    rows = ["time;air °C;humidity %;wind m/s"]
    humidity, wind = wandering(night, 1, 76, 6), wandering(night, 2, 2.5, 0.8)
    for moment, damp, blows in zip(every(night), humidity, wind, strict=False):
        numbers = (air_deg_c(night, moment), min(max(damp, 30.0), 99.0), max(blows, 0.0))
        rows.append(
            f"{moment:%d.%m.%Y %H:%M};" + ";".join(f"{each:.1f}".replace(".", ",") for each in numbers)
        )
    return ("\r\n".join(rows) + "\r\n").encode("cp1252")


def box(night: WinterNight) -> bytes:
    """Return the box's readings, a record of JSON a line; its clock counts seconds since 1970."""
    supply = wandering(night, 3, 12.9, 0.05)
    return b"".join(
        json.dumps(
            {
                "at": int(moment.timestamp()),
                "inside": {"celsius": round(air_deg_c(night, moment) + BOX_ABOVE_AIR_DEG_C, 2)},
                "supply_V": round(volts, 2),
            }
        ).encode()
        + b"\n"
        for moment, volts in zip(every(night), supply, strict=False)
    )


def exposures(night: WinterNight) -> Iterator[datetime]:
    """Return when each exposure is begun, from dark to dawn or until the night stops."""
    moment = night.begun + timedelta(hours=2, minutes=10)
    stopped = stops(night)
    end = night.ended - timedelta(hours=2, minutes=10) if stopped is None else stopped[0]
    while moment + timedelta(seconds=EXPOSURE_S) < end:
        yield moment
        moment += timedelta(seconds=EXPOSURE_S + BETWEEN_S)


def sequencer(night: WinterNight) -> bytes:
    """Return the sequencer's log."""
    lines = [(night.begun, "ready"), (night.ended, "end of the night")]
    lines += [(moment, f"exposure {number}") for number, moment in enumerate(exposures(night), 1)]
    stopped = stops(night)
    if stopped is not None:
        at, what = stopped
        told = "hub not responding" if what == "hub" else "mount stopped: no reply"
        again = range(3) if what == "hub" else range(1)
        lines += [(at + timedelta(minutes=4 * number), told) for number in again]
    return "".join(f"{moment:%H:%M:%S} {text}\n" for moment, text in sorted(lines)).encode()


def frame(night: WinterNight, number: int, begun: datetime) -> bytes:
    """Return a light with the facts that matter here, and a small picture of noise."""
    draw = np.random.Generator(np.random.PCG64([night.number, 9, number]))
    file = fits.PrimaryHDU(draw.integers(900, 1100, (24, 32), dtype=np.int16))
    air = air_deg_c(night, begun)
    facts = {
        "OBJECT": "NGC 1499" if night.number % 2 else "M 33",
        "IMAGETYP": "LIGHT",
        "FILTER": "Ha",
        "DATE-OBS": begun.replace(tzinfo=None).isoformat(timespec="milliseconds"),
        "EXPTIME": EXPOSURE_S,
        "INSTRUME": CAMERA,
        "TELESCOP": TELESCOPE,
        "FOCALLEN": FOCAL_LENGTH_MM,
        "XPIXSZ": PIXEL_UM,
        "CCD-TEMP": SETPOINT_DEG_C + round(0.1 * float(draw.standard_normal()), 1),
        "FOCPOS": 12480 + round(42 * (air - 5)),
        "AMBTEMP": round(air, 1),
    }
    for key, value in facts.items():
        file.header[key] = value
    stored = io.BytesIO()
    file.writeto(stored)
    return stored.getvalue()


def files(night: WinterNight) -> Iterator[tuple[str, datetime, bytes]]:
    """Return a night's files: path below the telescope's folder, time, content."""
    for number, begun in enumerate(exposures(night), 1):
        written = begun + timedelta(seconds=EXPOSURE_S + 2)
        yield f"Frames/{night.date}/light {number:03d}.fits", written, frame(night, number, begun)
    before_noon = night.ended + timedelta(minutes=1)
    yield f"Mast/mast {night.date}.csv", before_noon, weather(night)
    yield f"Box/{night.date}.jsonl", before_noon, box(night)
    yield f"Sequencer/night {night.date}.log", before_noon, sequencer(night)


CONFIGURATION = rf"""
[site]
name = "{SITE}"
latitude = {LATITUDE_DEG}
longitude = {LONGITUDE_DEG}

[[source]]
name = "frames"
folder = "telescope/Frames"
take = ["**/*.fits"]

[[source]]
name = "mast"
folder = "telescope/Mast"
kind = "logs"
[[source.logs]]
files = "*.csv"
form = "table"
time = "time"
time_format = "%d.%m.%Y %H:%M"
zone = "UTC"
[source.logs.readings]
"air temperature" = {{ at = "air °C", unit = "°C" }}
"humidity" = {{ at = "humidity %", unit = "%" }}
"wind" = {{ at = "wind m/s", unit = "m/s" }}

[[source]]
name = "box"
folder = "telescope/Box"
kind = "logs"
[[source.logs]]
files = "*.jsonl"
form = "json"
time = "at"
time_format = "%s"       # seconds since 1970
[source.logs.readings]
"box temperature" = {{ at = "inside.celsius", unit = "deg_C" }}
"supply voltage" = {{ at = "supply_V", unit = "V" }}

[[source]]
name = "sequencer"
folder = "telescope/Sequencer"
kind = "logs"
[[source.logs]]
files = "*.log"
form = "lines"
line = '^(?P<clock>\S+) (?P<text>.*)$'
time = "clock"
zone = "UTC"
[source.logs.events]
"hub not responding" = 'hub not responding'
"mount stopped" = 'mount stopped'

[[failure]]
event = "hub not responding"

[[failure]]
event = "mount stopped"

[[drive]]
name = "Winter stick"
folder = "stick"

[archive]
folder = "archive"

[records]
folder = "records"
"""


def make(folder: Path) -> int:
    """Make everything in a folder, and return how many files the telescope has."""
    count = 0
    for night in NIGHTS:
        for path, moment, content in files(night):
            file = folder / "telescope" / path
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(content)
            os.utime(file, (moment.timestamp(), moment.timestamp()))
            count += 1
    (folder / "archive").mkdir(exist_ok=True)
    (folder / "stick").mkdir(exist_ok=True)
    (folder / "stick" / "nightferry-drive.toml").write_text(MARK, encoding="utf-8")
    (folder / "nightferry.toml").write_text(CONFIGURATION.lstrip(), encoding="utf-8")
    verdicts = "".join(f"{night.date} {night.verdict} {night.because}".rstrip() + "\n" for night in NIGHTS)
    (folder / "verdicts.txt").write_text(verdicts, encoding="utf-8")
    return count


def main() -> int:
    """Make the nights in the folder that is named."""
    if len(sys.argv) != 2:
        print("usage: python sample_session/make_nights.py FOLDER", file=sys.stderr)
        return 2
    folder = Path(sys.argv[1]).resolve()
    print(f"{make(folder)} files of {len(NIGHTS)} nights in {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
