"""Make the sample session: an invented night at an invented place, small but whole.

    python sample_session/make_session.py                 make everything again
    python sample_session/make_session.py --times-only    only give the files the night's times

The night of 2026-03-14 at Dunnock Rise (51.2° north, 1.9° west), with a camera, telescope and
observer that do not exist. The moon, four days before new, rises after the last light. All times UTC.

    18:20   dusk flats through Ha, OIII, L
    20:06   M 51: 5 × 600 s L, 4 × 1200 s Ha; a bank of cloud stops the work from 22:25 to 22:57
    23:02   M 51: 3 × 1200 s OIII, the last of them across midnight
    00:14   NGC 4565, through an older sequence that spells filters in its own way (Lum, H-alpha, O3):
            6 × 600 s L; 01:18 it crosses the meridian and the telescope changes sides
    01:29   4 × 1200 s Ha. Around 02:40 dew settles on the front lens: stars grow from 1.8 to 3.5
            pixels, guiding gets three times worse, the air is within half a degree of its dew point.
            At 02:52 the heater is turned up, and its current rises; by 03:22 the lens is clear
    03:09   4 × 1200 s OIII; at 04:30 a cable fault cuts the last frame short, and the dark
            after it gets a header of rubbish
    04:36   darks of 600 and 1200 s, then bias; 06:16 the night ends, before sunrise

What is below `computer/` are the folders of the imaging computer, with the nuisances of real ones:
spaces and an apostrophe in names, a letter outside ASCII (Hα), folders in folders, one empty folder,
a guiding log whose last line is not finished, a gzipped and a tile-compressed frame, a frame cut
short, a header of rubbish. `stick/` is a prepared folder that stands for a removable drive.

Git keeps neither times nor empty folders. A log belongs to the night of its last modification, so
after a clone `--times-only` sets every file's time as the night left it and makes the empty folder
`Night frames/Trial shots`. It changes no content.

The pixels come from integers() and standard_normal() of a seeded PCG64, so the files are the same
on every run. What a library words or packs for itself may change with that library's version: the
gzip stream, and the cards that describe the tile compression.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import logs
import pictures
from frames import frame_bytes
from plan import CABLE_FAULT, EMPTY_FOLDER, NIGHT_ENDS, PARKED, at, exposures, focus_runs

HERE = Path(__file__).resolve().parent
MIDNIGHT = at("00:00:00")
MARK = b"""\
id = "6f1b0c52-8a3e-4d57-9c1f-2e64b7d0a915"
name = "Field stick"
prepared = 2026-03-14T17:10:00Z
"""


@dataclass(frozen=True, slots=True)
class SessionFile:
    """One file of the session: its path below the session's folder, its time, and how to make it."""

    path: str
    modified: datetime
    content: Callable[[], bytes]


def frame_files() -> Iterator[SessionFile]:
    """Return the frames; a file's time is when the camera's program had written it."""
    for index, exposure in enumerate(exposures()):
        yield SessionFile(
            f"computer/{exposure.path}", exposure.written, partial(frame_bytes, exposure, index)
        )


def focus_files() -> Iterator[SessionFile]:
    """Return a JSON file for each focusing run."""
    for run in focus_runs():
        path = f"computer/Focus runs/2026-03-14/run {run.number:02d} {run.filter_name}.json"
        yield SessionFile(path, run.begun + timedelta(seconds=215), partial(logs.focus_json, run))


def reading_files() -> Iterator[SessionFile]:
    """Return the readings of power and weather, a folder for each calendar day."""
    for first, last in ((at("18:00:00"), MIDNIGHT - timedelta(minutes=2)), (MIDNIGHT, NIGHT_ENDS)):
        power = f"computer/Supply readings/{first:%Y-%m-%d}/readings.csv"
        yield SessionFile(power, last, partial(logs.power_csv, first, last))
        weather = f"computer/Weather mast/{first:%d %B %Y}/mast.csv"
        yield SessionFile(weather, last, partial(logs.weather_csv, first, last))


def picture_files() -> Iterator[SessionFile]:
    """Return the roof camera's pictures, which the supply keeps beside its readings."""
    for moment in pictures.MOMENTS:
        path = f"computer/Supply readings/{moment:%Y-%m-%d}/sky {moment:%H%M}.png"
        yield SessionFile(path, moment, partial(pictures.picture, moment))


def plain_logs() -> Iterator[SessionFile]:
    """Return the logs of guiding, of the sequencer and of the mount, and the stick's mark."""
    yield SessionFile("computer/Guiding/notes 2026-03-14.txt", CABLE_FAULT, logs.guiding_log)
    sequencer = "computer/Tamsin's sequencer/night 2026-03-14.log"
    yield SessionFile(sequencer, NIGHT_ENDS, partial(logs.sequencer_log, focus_runs()))
    yield SessionFile("computer/Mount/diary.log", PARKED, logs.mount_log)
    yield SessionFile("stick/nightferry-drive.toml", at("17:10:00"), lambda: MARK)


def session_files() -> list[SessionFile]:
    """Return every file of the session; none is made yet."""
    return [*frame_files(), *focus_files(), *reading_files(), *picture_files(), *plain_logs()]


def write(file: SessionFile, folder: Path) -> None:
    """Write one file's content."""
    path = folder / file.path
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(file.content())


def set_time(file: SessionFile, folder: Path) -> None:
    """Set one file's time as the night left it."""
    seconds = int(file.modified.timestamp())
    modified_ns = seconds * 10**9 + file.modified.microsecond * 1000
    os.utime(folder / file.path, ns=(modified_ns, modified_ns))


def make(folder: Path) -> None:
    """Make the whole session in a folder, with its times."""
    for file in session_files():
        write(file, folder)
        set_time(file, folder)
    if folder != HERE:
        shutil.copyfile(HERE / "nightferry.toml", folder / "nightferry.toml")


def restore_times(folder: Path) -> list[str]:
    """Set the times of the files that are there; return the paths of those that are not."""
    files = session_files()
    there = [file for file in files if (folder / file.path).is_file()]
    for file in there:
        set_time(file, folder)
    return [file.path for file in files if file not in there]


def main() -> int:
    """Make the session, or only restore its times; exit 1 where a file to restore is missing."""
    parser = argparse.ArgumentParser(
        description="Make the sample session, or only give its files their times."
    )
    parser.add_argument("--times-only", action="store_true", help="change no content, only set the times")
    parser.add_argument(
        "--into", type=Path, default=HERE, metavar="FOLDER", help="work there instead of here"
    )
    chosen = parser.parse_args()
    folder = chosen.into.resolve()
    missing: list[str] = []
    if chosen.times_only:
        missing = restore_times(folder)
    else:
        make(folder)
    (folder / "computer" / EMPTY_FOLDER).mkdir(parents=True, exist_ok=True)
    for path in missing:
        print(f"missing: {folder / path}; run again without --times-only to make it", file=sys.stderr)
    print(f"{len(session_files()) - len(missing)} files of the night of 2026-03-14 in {folder}")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
