"""Values that every list can show, in every format; what is beyond them is no value, and a finding.

A header or a forged entry can say anything. A moment at the edge of the calendar cannot be brought to another
zone, half a character (a lone surrogate) has no bytes in UTF-8, a name of a hundred thousand characters is a
name to nobody, and readers of tables keep whole numbers in 64 bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame

LONGEST_TEXT = 1000  # characters; a FITS header's card has 80
# Room for any zone (RFC 3339 knows up to 24 h), and for an exposure of a day.
_EARLIEST = datetime(1, 1, 3, tzinfo=UTC)
_LATEST = datetime(9999, 12, 29, tzinfo=UTC)
_MOST = 2**53  # the last whole number that a reader of JSON is sure to keep (RFC 8259, section 6)

_NAMES = tuple(field.name for field in fields(Frame))
_COUNTS = frozenset(field.name for field in fields(Frame) if str(field.type) == "int | None")


def why_unusable(value: object) -> str:
    """Return why a value cannot be shown in every list; empty where it can."""
    if isinstance(value, str):
        return _why_no_text(value)
    if isinstance(value, datetime):
        return "" if _EARLIEST <= value <= _LATEST else f"is {value.isoformat()}, at the calendar's edge"
    return ""


def _why_no_text(text: str) -> str:
    if len(text) > LONGEST_TEXT:
        return f"has {len(text):,} characters"
    if not text.isascii():
        try:
            text.encode()
        except UnicodeEncodeError:
            return "is not Unicode"
    return ""


def unusable_in(facts: Mapping[str, object]) -> dict[str, str]:
    """Return the names of the facts that cannot be used, each with the reason."""
    found = {name: why for name, value in facts.items() if (why := why_unusable(value))}
    for name in _COUNTS & facts.keys():
        count = facts[name]
        if isinstance(count, int) and abs(count) > _MOST:
            found[name] = "is too large a number"
    return found


def left_out(name: str, why: str) -> Finding:
    """Return the finding for a fact that was left out."""
    return Finding(FindingKind.VALUE_LEFT_OUT, f"{name} {why}")


def usable_frame(frame: Frame) -> tuple[Frame, tuple[Finding, ...]]:
    """Return a frame without the facts that cannot be used, and the finding for each."""
    unusable = unusable_in({name: getattr(frame, name) for name in _NAMES})
    if not unusable:
        return frame, ()
    nothing: dict[str, Any] = dict.fromkeys(unusable)
    return replace(frame, **nothing), tuple(left_out(name, why) for name, why in unusable.items())


def usable_text(name: str, text: str | None) -> tuple[str | None, tuple[Finding, ...]]:
    """Return a text, None where it cannot be used, and the finding for that."""
    why = "" if text is None else _why_no_text(text)
    return (None, (left_out(name, why),)) if why else (text, ())


def shortened(text: str) -> str:
    """Return a text for a person so that every list can show it: cut, and half characters spelt out."""
    cut = text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 1] + "…"
    return cut if cut.isascii() else cut.encode("utf-8", "backslashreplace").decode()
