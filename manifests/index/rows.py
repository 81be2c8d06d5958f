"""Turns an entry's line into a row of the index: its series' key and its own values, by column."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from math import isfinite
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from manifests.bags.containment import danger
from manifests.bags.entries import time_ns
from manifests.bags.paths import PAYLOAD
from manifests.bags.tag_lines import what_is_wrong
from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame
from manifests.frames.frame import Frame, FrameType, Stage, check_kinds
from manifests.frames.names.places import field_of_view_deg
from manifests.frames.stages import known_stage
from manifests.frames.usable import left_out, shortened, unusable_in, usable_text, why_unusable
from manifests.index.cones import direction
from manifests.index.schema import COMMON_COUNTS, COMMON_NUMBERS, COMMON_TEXTS, OWN_NUMBERS, SKY_FACTS

if TYPE_CHECKING:
    from manifests.frames.names.filters import FilterNames
    from manifests.frames.names.targets import TargetNames

Value = str | int | float | bytes | None
Facts = Mapping[str, Any]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_LARGEST = 2**63 - 1

_PAYLOAD = f"{PAYLOAD}/"

# What `Entry.as_json` writes. A million lines become rows without becoming entries first, which would
# take most of the time; whatever `entry_from_json` would not take is refused here, too.
_REQUIRED = frozenset(
    ("path", "size_bytes", "sha256", "xxh128", "modified_ns", "source", "original", "night")
)
_NO_FACTS: dict[str, Any] = dict.fromkeys((*COMMON_TEXTS, *COMMON_COUNTS, *COMMON_NUMBERS, *OWN_NUMBERS))
_NO_SKY: dict[str, Any] = dict.fromkeys(SKY_FACTS)
_common_texts = itemgetter(*COMMON_TEXTS)
_common_numbers = itemgetter(*COMMON_COUNTS, *COMMON_NUMBERS)
_own_numbers = itemgetter(*OWN_NUMBERS)
_sky_facts = itemgetter(*SKY_FACTS)
_pointing = itemgetter("ra_deg", "dec_deg", "equinox")
_optics = itemgetter("width_px", "height_px", "pixel_um", "focal_length_mm")

# What light passes a filter for; an exposure of no known type may be one of them.
_LIGHTS = (FrameType.LIGHT, None)
_FILTERED = (FrameType.LIGHT, FrameType.FLAT, None)


class NotAnEntry(ValueError):
    """A line that is not an entry, or has a value that no column holds; the text says why."""


class FileRow(NamedTuple):
    """What the index keeps of one entry.

    `series` is in the order of SERIES_COLUMNS, `own` in that of FILE_COLUMNS without the series' id;
    `findings` are kinds and details.
    """

    series: tuple[Value, ...]
    own: tuple[Value, ...]
    findings: tuple[tuple[str, str], ...]

    @property
    def path(self) -> str:
        """The file's path in its bag."""
        return str(self.own[0])


class _Common(NamedTuple):
    """What many entries share: their series' key, and which facts of theirs could not be used."""

    series: tuple[Value, ...]
    unusable: tuple[str, ...]
    findings: tuple[tuple[str, str], ...]


class RowMaker:
    """Makes the rows of one bag's entries.

    What filing decided is taken from the entry; an entry that was never filed is read like a header, without
    the user's own tables. A row depends on its bag alone.
    """

    def __init__(self) -> None:
        self._series: dict[tuple[object, ...], _Common] = {}
        self._fields_deg: dict[tuple[object, ...], float | None] = {}

    def row(self, line: bytes, line_digest: int) -> FileRow:
        """Return the row of a line of a bag's entries. Raises NotAnEntry whatever is wrong with it."""
        try:
            return self._row(json.loads(line), line_digest)
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
            raise NotAnEntry(f"not an entry ({what_is_wrong(error)})") from error

    def _row(self, entry: Facts, line_digest: int) -> FileRow:
        if not entry.keys() >= _REQUIRED:
            raise KeyError(*sorted(_REQUIRED - entry.keys()))
        time_ns(entry["modified_ns"])
        if entry.get("created_ns") is not None:
            time_ns(entry["created_ns"])
        facts = _with(entry.get("frame"), _NO_FACTS)
        check_kinds(facts)
        common = self._common(entry, facts)
        if common.unusable:
            facts = {**facts, **dict.fromkeys(common.unusable)}
        begun_us, no_moment = _microseconds(facts.get("begun_utc"))
        findings = _findings(entry["findings"]) if "findings" in entry else ()
        findings += common.findings + no_moment
        ra_deg, dec_deg, *rest = _numbers(_sky_facts(_with(entry.get("sky"), _NO_SKY)))
        if ra_deg is None or dec_deg is None or not -90 <= dec_deg <= 90:
            ra_deg, dec_deg = _icrs(facts)
        own = (
            _path(entry["path"]),
            _whole(entry["size_bytes"]),
            _sha256(entry["sha256"]),
            line_digest,
            len(findings),
            begun_us,
            self._field_deg(facts),
            *_direction(ra_deg, dec_deg),
            *_numbers(_own_numbers(facts)),
            ra_deg,
            dec_deg,
            *rest,
        )
        return FileRow(common.series, own, findings)

    def _common(self, entry: Facts, facts: Facts) -> _Common:
        """Return what an entry shares with its series, from a cache where another line had the same."""
        is_frame = entry.get("frame") is not None or looks_like_a_frame(entry["path"])
        in_use = entry.get("in_use") is not False
        named = (is_frame, in_use, entry["night"], entry.get("target"), entry.get("filter"))
        raw = (named, _common_texts(facts), _common_numbers(facts))
        known = self._series.get(raw)
        if known is None:
            known = self._series[raw] = self._new_common(is_frame, in_use, entry, facts)
        return known

    def _new_common(self, is_frame: bool, in_use: bool, entry: Facts, facts: Facts) -> _Common:
        unusable = unusable_in({name: facts[name] for name in (*COMMON_TEXTS, *COMMON_COUNTS)})
        findings = [left_out(name, why) for name, why in unusable.items()]
        facts = {**facts, **dict.fromkeys(unusable)}
        target, no_target = usable_text("target", entry.get("target"))
        name, no_filter = usable_text("filter", entry.get("filter"))
        series = (
            int(is_frame),
            int(in_use),
            date.fromisoformat(entry["night"]).isoformat(),
            *map(_text, self._names({**entry, "target": target, "filter": name}, facts)),
            *map(_text, _common_texts({**facts, "stage": _stage(facts)})),
            *_numbers(_common_numbers(facts)),
        )
        return _Common(series, tuple(unusable), _rows_of((*findings, *no_target, *no_filter)))

    def _names(self, entry: Facts, facts: Facts) -> tuple[str | None, str | None]:
        """Return the target and the filter."""
        target, name = entry.get("target"), entry.get("filter")
        frame_type = None if facts["frame_type"] is None else FrameType(facts["frame_type"])
        if entry.get("frame") is not None:
            if target is None and frame_type in _LIGHTS:
                target = self._targets.name(_text(facts["object_name"])).canonical
            if name is None and frame_type in _FILTERED:
                colour = facts["bayer_pattern"] is not None
                name = self._filters.name(_text(facts["filter_name"]), colour=colour).canonical
        return target, name

    @cached_property
    def _targets(self) -> TargetNames:
        from manifests.frames.names.targets import TargetNames

        return TargetNames()

    @cached_property
    def _filters(self) -> FilterNames:
        from manifests.frames.names.filters import FilterNames

        return FilterNames()

    def _field_deg(self, facts: Facts) -> float | None:
        optics = _optics(facts)
        if optics not in self._fields_deg:
            width_px, height_px, pixel_um, focal_length_mm = _numbers(optics)
            frame = Frame(
                width_px=None if width_px is None else int(width_px),
                height_px=None if height_px is None else int(height_px),
                pixel_um=pixel_um,
                focal_length_mm=focal_length_mm,
            )
            self._fields_deg[optics] = field_of_view_deg(frame)
        return self._fields_deg[optics]


def _with(known: dict[str, Any] | None, nothing: dict[str, Any]) -> dict[str, Any]:
    """Return facts with None for each that is not known."""
    return nothing if known is None else nothing | known


def _stage(facts: Facts) -> str | None:
    """Return a frame's stage, or None for a raw one. Raises ValueError for what is no stage."""
    if facts["stage"] is not None:
        return Stage(facts["stage"]).value
    if facts["image_type"] is None:
        return None
    frame_type = None if facts["frame_type"] is None else FrameType(facts["frame_type"])
    stage = known_stage(Frame(frame_type=frame_type, image_type=_text(facts["image_type"])))
    return None if stage is Stage.RAW else stage.value


def _path(path: object) -> str:
    """Return a path that stays inside its bag's payload, whoever follows it."""
    text = _text(path) or ""
    why = danger(text) or ("" if text.startswith(_PAYLOAD) else "lies outside the payload")
    if why:
        raise ValueError(f"the path {text!r} {why}")
    return text


def _icrs(facts: Facts) -> tuple[float | None, float | None]:
    """Return the header's position (ICRS), for an entry that has no computed one."""
    ra_deg, dec_deg, equinox = _numbers(_pointing(facts))
    if ra_deg is None or dec_deg is None or not -90 <= dec_deg <= 90:
        return None, None
    if equinox is None or equinox == 2000.0:
        return ra_deg, dec_deg
    if not 1800 <= equinox <= 2200:
        return None, None
    import numpy as np

    from manifests.frames.sky.equinoxes import icrs_of

    ra, dec = icrs_of(*(np.array([value]) for value in (ra_deg, dec_deg, equinox)))
    return float(ra[0]), float(dec[0])


def _direction(
    ra_deg: float | None, dec_deg: float | None
) -> tuple[float | None, float | None, float | None]:
    if ra_deg is None or dec_deg is None:
        return None, None, None
    return direction(ra_deg, dec_deg)


def _findings(findings: Iterable[Facts]) -> tuple[tuple[str, str], ...]:
    return tuple((FindingKind(one["finding"]).value, shortened(str(one["detail"]))) for one in findings)


def _rows_of(findings: Iterable[Finding]) -> tuple[tuple[str, str], ...]:
    return tuple((one.kind.value, one.detail) for one in findings)


def _microseconds(moment: str | None) -> tuple[int | None, tuple[tuple[str, str], ...]]:
    if moment is None:
        return None, ()
    begun = datetime.fromisoformat(moment)
    if begun.tzinfo is None:
        raise ValueError(f"a time of no zone: {moment}")
    why = why_unusable(begun)
    if why:
        return None, _rows_of([left_out("begun_utc", why)])
    return (begun - _EPOCH) // _MICROSECOND, ()


def _sha256(digest: str) -> bytes:
    content = bytes.fromhex(digest)
    if len(content) != 32:
        raise ValueError(f"not a SHA-256 digest: {digest!r}")
    return content


def _text(value: object) -> str | None:
    """Return a text that UTF-8 can hold. Raises ValueError for any other, TypeError for no text."""
    if value is None:
        return None
    if not isinstance(value, str):
        raise TypeError(f"not a text: {value!r}")
    if not value.isascii():
        value.encode()
    return value


def _numbers(values: Iterable[object]) -> list[float | None]:
    """Return numbers as they are where they are finite; none where they are not.

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


def _whole(value: object) -> int:
    if not isinstance(value, int) or not 0 <= value <= _LARGEST:
        raise ValueError(f"not a size: {value!r}")
    return value
