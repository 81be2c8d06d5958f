"""How long reading logs takes, beside reading their bytes alone, and how much memory it takes.

Run it as `python -m tests.bench.bench_logs [MEGABYTES]`; by default 100 of each form.

One run, side by side, in seconds of the processor: the bytes read; the lines decoded; a table, lines by an
expression, and a record of JSON a line, each with one event looked for. Memory is the process's largest,
from before to after each.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

from manifests.readings.description import EventPattern, Form, LogDescription, ReadingAt
from manifests.readings.log_reading import LogReader
from manifests.readings.text import log_lines
from manifests.readings.thinning import Thinning

EVENTS = (EventPattern("connection lost", "lost (the )?connection|not responding"),)
READINGS = (ReadingAt("air", "air", "deg_C"), ReadingAt("humidity", "humidity", "%"))
TABLE = LogDescription("*", Form.TABLE, "time", zone="UTC", readings=READINGS, events=EVENTS)
LINES = LogDescription(
    "*",
    Form.LINES,
    "time",
    line=r"^(?P<time>\S+) air (?P<air>\S+) humidity (?P<humidity>\S+) (?P<text>.*)$",
    zone="UTC",
    readings=READINGS,
    events=EVENTS,
)
RECORDS = LogDescription("*", Form.JSON, "time", zone="UTC", readings=READINGS, events=EVENTS)


class Kept:
    """A sink that thins readings, as the index's does, and counts."""

    def __init__(self) -> None:
        self.records = 0
        self.events = 0
        self.thinning = Thinning(self._keep)
        self.reading = self.thinning.reading

    def _keep(self, _quantity: int, _record: object) -> None:
        self.records += 1

    def event(self, _moment_us: int, _event: int, _text: str, _line: int) -> None:
        self.events += 1


def moments() -> Iterator[str]:
    number = 0
    while True:
        number += 1
        clock = f"{18 + number // 360000 % 6:02d}:{number // 6000 % 60:02d}:{number // 100 % 60:02d}"
        yield f"2026-03-14T{clock}.{number % 100:02d}"


def write(path: Path, megabytes: int, line: Callable[[str], str], first: str = "") -> int:
    """Write a log of so many megabytes, and return how many lines it has."""
    count, size = 0, 0
    with path.open("w") as file:
        file.write(first)
        for moment in moments():
            text = line(moment)
            file.write(text)
            count, size = count + 1, size + len(text)
            if size > megabytes * 1_000_000:
                return count
    return count


def timed(name: str, act: Callable[[], object], base_s: float | None = None) -> float:
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.process_time()  # of this process alone, whatever else is at work
    given = act()
    took_s = time.process_time() - begun
    grew_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
    ratio = "" if base_s is None else f"{took_s / base_s:8.1f} ×"
    print(f"{name:<34}{took_s:8.2f} s{ratio:>12}  memory +{grew_mb:.0f} MB  {given}")
    return took_s


def read(path: Path, description: LogDescription) -> str:
    kept = Kept()
    with path.open("rb") as file:
        account = LogReader(description).read(file, path.name, date(2026, 3, 14), -1.9, kept)
    kept.thinning.close()
    told = f"{account.readings:,} readings as {kept.records:,} records, {account.events:,} events"
    return f"{told}, {account.unmatched} lines unmatched"


def all_bytes(path: Path) -> int:
    with path.open("rb") as file:
        return sum(map(len, iter(lambda: file.read(1 << 20), b"")))


def all_lines(path: Path) -> int:
    with path.open("rb") as file:
        return sum(1 for _ in log_lines(file))


def main() -> None:
    megabytes = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with tempfile.TemporaryDirectory() as name:
        log = Path(name) / "log"
        lines = write(
            log, megabytes, lambda moment: f"{moment},7.25,81.5,quiet\n", "time,air,humidity,what\n"
        )
        print(f"{megabytes} MB, {lines:,} rows")
        base_s = timed("bytes alone", lambda: all_bytes(log))
        timed("lines alone", lambda: all_lines(log), base_s)
        timed("a table", lambda: read(log, TABLE), base_s)
        lines = write(log, megabytes, lambda moment: f"{moment} air 7.25 humidity 81.5 quiet\n")
        timed(f"{lines:,} lines by an expression", lambda: read(log, LINES), base_s)
        record = '{{"time": "{}", "air": 7.25, "humidity": 81.5, "what": "quiet"}}\n'
        lines = write(log, megabytes, record.format)
        timed(f"{lines:,} records of JSON", lambda: read(log, RECORDS), base_s)


if __name__ == "__main__":
    main()
