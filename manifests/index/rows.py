"""An entry as a row of the index: its series' key and its own values, each of the kind its column holds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from math import isfinite
from operator import attrgetter
from typing import NamedTuple

from manifests.bags.entries import Entry
from manifests.findings import Finding
from manifests.frames.endings import looks_like_a_frame
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.frames.names.filters import FilterNames
from manifests.frames.names.places import field_of_view_deg
from manifests.frames.names.targets import TargetNames
from manifests.index.cones import direction
from manifests.index.schema import COMMON_COUNTS, COMMON_NUMBERS, COMMON_TEXTS, OWN_NUMBERS, SKY_FACTS

Value = str | int | float | bytes | None

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_LARGEST = 2**63 - 1

_common_texts = attrgetter(*COMMON_TEXTS)
_common_numbers = attrgetter(*COMMON_COUNTS, *COMMON_NUMBERS)
_own_numbers = attrgetter(*OWN_NUMBERS)
_sky_facts = attrgetter(*SKY_FACTS)

_NOTHING = Frame()
_NO_SKY = FrameSky()


class FileRow(NamedTuple):
    """What the index keeps of one entry.

    `series` is in the order of SERIES_COLUMNS, `own` in that of FILE_COLUMNS without the series' id.
    """

    series: tuple[Value, ...]
    own: tuple[Value, ...]
    findings: tuple[Finding, ...]


class RowMaker:
    """Makes the rows of one bag's entries.

    What filing decided is taken from the entry; an entry that was never filed is read as a header is,
    without any table of a user's. A row depends on its bag alone, whatever else was read before.
    """

    def __init__(self) -> None:
        self._targets = TargetNames()
        self._filters = FilterNames()
        self._checked: dict[tuple[object, ...], tuple[Value, ...]] = {}

    def row(self, entry: Entry, line_digest: int) -> FileRow:
        """Give an entry's row. Raises TypeError, ValueError or OverflowError for a value no column holds."""
        frame = entry.frame or _NOTHING
        sky = _sky_of(entry)
        own = (
            _text(entry.path),
            _whole(entry.size_bytes),
            _sha256(entry.digests.sha256),
            line_digest,
            len(entry.findings),
            _microseconds(frame.begun_utc),
            _field_deg(frame),
            *_direction(sky),
            *_numbers(_own_numbers(frame)),
            *_sky_facts(sky),
        )
        return FileRow(self._series(entry, frame), own, entry.findings)

    def _series(self, entry: Entry, frame: Frame) -> tuple[Value, ...]:
        """Give the key of an entry's series; of each, the values are looked at once."""
        is_frame = entry.frame is not None or looks_like_a_frame(entry.path)
        named = (is_frame, entry.night, self._target(entry), self._filter(entry))
        texts, numbers = _common_texts(frame), _common_numbers(frame)
        raw = (named, texts, numbers)
        key = self._checked.get(raw)
        if key is None:
            night, *names = entry.night.isoformat(), *named[2:], *texts
            key = self._checked[raw] = (int(is_frame), night, *map(_text, names), *_numbers(numbers))
        return key

    def _target(self, entry: Entry) -> str | None:
        frame = entry.frame
        if entry.target is not None or frame is None or frame.frame_type not in (FrameType.LIGHT, None):
            return entry.target
        return self._targets.name(frame.object_name).canonical

    def _filter(self, entry: Entry) -> str | None:
        frame = entry.frame
        if entry.filter is not None or frame is None or frame.frame_type not in _FILTERED:
            return entry.filter
        return self._filters.name(frame.filter_name, colour=frame.bayer_pattern is not None).canonical


# What light passes a filter for; an exposure of no known type may be one of them.
_FILTERED = (FrameType.LIGHT, FrameType.FLAT, None)


def _sky_of(entry: Entry) -> FrameSky:
    """Give the frame's sky, its position at least: the header's own where none was computed."""
    sky = entry.sky or _NO_SKY
    position = (sky.ra_deg, sky.dec_deg)
    if None in position and entry.frame is not None:
        position = _icrs(entry.frame)
    ra_deg, dec_deg = _numbers(position)
    if ra_deg is None or dec_deg is None or not -90 <= dec_deg <= 90:
        ra_deg = dec_deg = None
    return FrameSky(ra_deg, dec_deg, *_numbers(_sky_facts(sky)[2:]))


def _icrs(frame: Frame) -> tuple[float | None, float | None]:
    ra_deg, dec_deg, equinox = _numbers((frame.ra_deg, frame.dec_deg, frame.equinox))
    if ra_deg is None or dec_deg is None or equinox in (None, 2000.0):
        return ra_deg, dec_deg
    if not (1800 <= equinox <= 2200 and -90 <= dec_deg <= 90):
        return None, None
    import numpy as np

    from manifests.frames.sky.equinoxes import icrs_of

    ra, dec = icrs_of(*(np.array([value]) for value in (ra_deg, dec_deg, equinox)))
    return float(ra[0]), float(dec[0])


def _direction(sky: FrameSky) -> Sequence[float | None]:
    if sky.ra_deg is None or sky.dec_deg is None:
        return (None, None, None)
    return direction(sky.ra_deg, sky.dec_deg)


def _field_deg(frame: Frame) -> float | None:
    try:
        return field_of_view_deg(frame)
    except (TypeError, OverflowError):
        return None


def _microseconds(moment: datetime | None) -> int | None:
    if moment is None:
        return None
    return (moment.replace(tzinfo=moment.tzinfo or UTC) - _EPOCH) // _MICROSECOND


def _sha256(digest: str) -> bytes:
    content = bytes.fromhex(digest)
    if len(content) != 32:
        raise ValueError(f"not a SHA-256 digest: {digest!r}")
    return content


def _text(value: object) -> str | None:
    """Give a text that UTF-8 can hold. Raises ValueError for any other, TypeError for no text."""
    if value is None:
        return None
    if not isinstance(value, str):
        raise TypeError(f"not a text: {value!r}")
    if not value.isascii():
        value.encode()
    return str(value)


def _numbers(values: Sequence[object]) -> list[float | None]:
    """Give numbers as they are where they are finite; none where they are not.

    Raises TypeError for what is no number, OverflowError for one too large.
    """
    # In line, for there are two dozen of them in each of a million rows.
    return [
        value if value is None or (value.__class__ is float and isfinite(value)) else _number(value)
        for value in values
    ]


def _number(value: object) -> float | None:
    if not isinstance(value, int | float):
        raise TypeError(f"not a number: {value!r}")
    return float(value) if isfinite(value) else None


def _whole(value: int) -> int:
    if not 0 <= value <= _LARGEST:
        raise OverflowError(f"not a size: {value}")
    return value
