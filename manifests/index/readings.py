"""What the index says of a span of time: readings and events of logs, and frames as readings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any, NamedTuple

from manifests.index.opening import Index
from manifests.readings.happenings import MINUTE_US, Happening, Span
from manifests.readings.series import Series
from manifests.readings.thinning import ReadingRecord
from manifests.readings.units import DEG_C, PERCENT

FRAMES = "frames"
"""The source of what frames say by themselves."""
BETWEEN_EXPOSURES = "time between exposures"
"""What the pauses between frames are called among the readings, in minutes."""

# A log that was carried on two nights, the second time longer, has its beginning in two bags.
_READINGS = """
SELECT DISTINCT source, quantity, unit, at_us, first, last, lowest, highest, count
FROM readings JOIN quantities ON quantities.id = readings.quantity_id
WHERE at_us BETWEEN ? AND ? ORDER BY source, quantity, unit, at_us
"""
_EVENTS = """
SELECT at_us, event, logs.source, min(bags.path || '/' || files.path), text
FROM events JOIN logs ON logs.id = events.log_id JOIN files ON files.id = logs.file_id
JOIN series ON series.id = files.series_id JOIN bags ON bags.id = series.bag_id
WHERE at_us BETWEEN ? AND ? GROUP BY at_us, event, logs.source, text ORDER BY at_us, line
"""
_FRAMES = """
SELECT begun_us, ifnull(exposure_s, 0.0), frame_type, target, filter, sensor_deg_c, ambient_deg_c,
    focuser_deg_c, focuser_position, ifnull(sky_altitude_deg, altitude_deg), sky_moon_altitude_deg,
    100.0 * sky_moon_illumination, size_px, elongation
FROM series JOIN files ON files.series_id = series.id
LEFT JOIN measures ON measures.sha256 = files.sha256
WHERE is_frame = 1 AND night = ? AND begun_us IS NOT NULL ORDER BY begun_us
"""
_FINDINGS = """
SELECT kind, count(*) FROM findings JOIN files ON files.id = findings.file_id
JOIN series ON series.id = files.series_id WHERE night = ? GROUP BY kind ORDER BY kind
"""
# The quantities of a frame, in the order of the columns above, with their units.
_OF_FRAMES = (
    ("sensor temperature", DEG_C),
    ("ambient temperature", DEG_C),
    ("focuser temperature", DEG_C),
    ("focus position", ""),
    ("altitude", "deg"),
    ("moon altitude", "deg"),
    ("moon lit", PERCENT),
    # How many stars there are, and how bright the sky is, depends on target, filter and exposure: they are
    # compared among frames that have these in common (see frames/measures/judging.py), not over a night.
    ("star size", "pix"),
    ("star elongation", ""),
)
OF_THE_SKY = ("altitude", "moon altitude", "moon lit")
"""What follows from a frame's time and pointing: it differs every night, and is no state of the equipment."""
_LIGHT = ("light", None)
_MOST_EXPOSURE_S = 86400.0


class FrameTaken(NamedTuple):
    """One frame of a night: when it was exposed, and what it is."""

    exposed: Span
    exposure_s: float
    frame_type: str | None
    target: str | None
    filter: str | None
    facts: tuple[float | None, ...]

    @property
    def is_light(self) -> bool:
        """Whether it is a light; one of no known type may well be."""
        return self.frame_type in _LIGHT


def series_between(index: Index, span: Span) -> list[Series]:
    """Return what the logs read from one moment to another, a series a quantity. Raises IndexFault."""
    with index.snapshot():
        found: dict[tuple[str, str, str], list[ReadingRecord]] = {}
        for source, quantity, unit, *record in index.rows(_READINGS, span):
            found.setdefault((str(source), str(quantity), str(unit)), []).append(_record(record))
        return [Series(*key, tuple(records)) for key, records in found.items()]


def _record(row: Sequence[Any]) -> ReadingRecord:
    at_us, first, last, lowest, highest, count = row
    return ReadingRecord(int(at_us), float(first), float(last), float(lowest), float(highest), int(count))


def happenings_between(index: Index, span: Span) -> list[Happening]:
    """Return the events of the logs from one moment to another. Raises IndexFault."""
    with index.snapshot():
        return [
            Happening(int(at_us), str(event), str(source), str(path), str(text))
            for at_us, event, source, path, text in index.rows(_EVENTS, span)
        ]


def frames_taken(index: Index, night: date) -> list[FrameTaken]:
    """Return a night's frames in the order in which they were begun. Raises IndexFault."""
    with index.snapshot():
        return [_frame(row) for row in index.rows(_FRAMES, (night.isoformat(),))]


def _frame(row: Sequence[Any]) -> FrameTaken:
    begun_us, exposure_s, frame_type, target, name, *facts = row
    lasted_s = float(exposure_s) if 0 <= exposure_s <= _MOST_EXPOSURE_S else 0.0
    exposed = Span(int(begun_us), int(begun_us) + round(lasted_s * 1e6))
    numbers = tuple(None if fact is None else float(fact) for fact in facts)
    return FrameTaken(exposed, lasted_s, frame_type, target, name, numbers)


def series_of_frames(frames: Sequence[FrameTaken]) -> list[Series]:
    """Return what frames say as series; altitude and moon are those of lights."""
    return [*_series(frames), *_between(frames)]


def _series(frames: Sequence[FrameTaken]) -> Iterator[Series]:
    for place, (quantity, unit) in enumerate(_OF_FRAMES):
        records = [
            ReadingRecord(one.exposed.from_us, value, value, value, value, 1, one.exposed.lasted_us)
            for one in frames
            if (value := one.facts[place]) is not None and (one.is_light or quantity not in OF_THE_SKY)
        ]
        if records:
            yield Series(FRAMES, quantity, unit, tuple(records))


def _between(frames: Sequence[FrameTaken]) -> Iterator[Series]:
    """Return the minutes without an exposure before each frame but the first."""
    records: list[ReadingRecord] = []
    reached_us: int | None = None
    for one in frames:
        if reached_us is not None:
            minutes = max(0, one.exposed.from_us - reached_us) / MINUTE_US
            records.append(ReadingRecord(one.exposed.from_us, minutes, minutes, minutes, minutes, 1))
        reached_us = max(reached_us or 0, one.exposed.to_us)
    if records:
        yield Series(FRAMES, BETWEEN_EXPOSURES, "min", tuple(records))


def findings_of_night(index: Index, night: date) -> dict[str, int]:
    """Return how many of a night's files have each finding. Raises IndexFault."""
    with index.snapshot():
        return {str(kind): int(count) for kind, count in index.rows(_FINDINGS, (night.isoformat(),))}
