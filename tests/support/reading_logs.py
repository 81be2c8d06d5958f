"""A log read into lists, for the tests to look at."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from manifests.readings.description import LogDescription
from manifests.readings.log_reading import LogReader
from manifests.readings.taking import LogAccount

NIGHT = date(2026, 3, 14)
LONGITUDE_DEG = -1.9


@dataclass
class Kept:
    """What a log gave: (moment, quantity, value) and (moment, event, text, line), and its account."""

    readings: list[tuple[datetime, str, float]] = field(default_factory=list)
    events: list[tuple[datetime, str, str, int]] = field(default_factory=list)
    account: LogAccount = field(default_factory=LogAccount)

    def values(self, quantity: str) -> list[float]:
        return [value for _, name, value in self.readings if name == quantity]


class KeepingSink:
    def __init__(self, description: LogDescription, kept: Kept) -> None:
        self.description, self.kept = description, kept

    def reading(self, moment_us: int, quantity: int, value: float) -> None:
        self.kept.readings.append((moment(moment_us), self.description.readings[quantity].quantity, value))

    def event(self, moment_us: int, event: int, text: str, line: int) -> None:
        self.kept.events.append((moment(moment_us), self.description.events[event].event, text, line))


def moment(moment_us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=moment_us)


def read(description: LogDescription, content: bytes, name: str = "log.txt", night: date = NIGHT) -> Kept:
    kept = Kept()
    sink = KeepingSink(description, kept)
    kept.account = LogReader(description).read(io.BytesIO(content), name, night, LONGITUDE_DEG, sink)
    return kept
