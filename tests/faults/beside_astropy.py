"""What astropy reads in a header, beside what is read here: the same, but where it is said why not."""

from __future__ import annotations

import io
import re
import warnings
from datetime import UTC, datetime
from math import isfinite
from typing import Any

from manifests.frames.frame import Frame
from tests.faults.judge import require

_ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]*)?")
# A moment within three days of the calendar's edge is left out: not every zone has a date for it.
_FIRST, _LAST = datetime(1, 1, 4, tzinfo=UTC), datetime(9999, 12, 28, tzinfo=UTC)


def compare(content: bytes, frame: Frame) -> None:
    """Compare a frame with the primary header as astropy reads it; where it reads none, there is nothing."""
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            header = fits.Header.fromfile(io.BytesIO(content))
        except (OSError, ValueError):
            return
        for judge in (_judge_name, _judge_exposure, _judge_date, _judge_size):
            judge(header, frame)


def _value(header: Any, keyword: str) -> object:
    """Return a keyword's value as astropy reads it, None where it finds it broken or there is none."""
    from astropy.io import fits

    try:
        value = header.get(keyword)
    except (fits.VerifyError, ValueError, TypeError, KeyError):
        return None
    return None if isinstance(value, fits.card.Undefined) else value


def _judge_name(header: Any, frame: Frame) -> None:
    for keyword, ours in (("OBJECT", frame.object_name), ("FILTER", frame.filter_name)):
        value = _value(header, keyword)
        if isinstance(value, bool | complex) or value is None or not _has_indicator(header, keyword):
            continue
        named = "".join(letter if letter.isprintable() else " " for letter in str(value)).strip()
        if named and not _read_otherwise(named):
            require(ours == _as_far_as_read(named, ours), f"{keyword} is {ours!r}, to astropy {value!r}")


def _has_indicator(header: Any, keyword: str) -> bool:
    """Return whether a card has the value indicator "= ": without it there is no value (section 4.1.2.2)."""
    image = header.cards[keyword].image
    return image.startswith("HIERARCH") or image[8:10] == "= "


def _read_otherwise(named: str) -> bool:
    """Return whether a name is one of those that are read otherwise, and on purpose.

    Bytes outside ASCII come as "?" from the library and as the letter that was meant here.
    """
    return "?" in named


def _as_far_as_read(named: str, ours: str | None) -> str:
    """Return the beginning of a text that is continued over more than sixty records: that is what is read."""
    return named[: len(ours)] if ours and len(ours) > 500 else named


def _judge_exposure(header: Any, frame: Frame) -> None:
    value = _value(header, "EXPTIME")
    if isinstance(value, bool) or not isinstance(value, int | float) or value < 0 or not isfinite(value):
        return
    if not header.comments["EXPTIME"].strip():  # a comment may name another unit
        require(frame.exposure_s == float(value), f"EXPTIME is {frame.exposure_s!r}, to astropy {value!r}")


def _judge_date(header: Any, frame: Frame) -> None:
    value, scale = _value(header, "DATE-OBS"), _value(header, "TIMESYS")
    if scale in (None, "UTC") and isinstance(value, str) and _ISO.fullmatch(value):
        try:
            expected = datetime.fromisoformat(value[:19]).replace(tzinfo=UTC)
        except ValueError:
            return
        ours = frame.begun_utc
        if ours is None and not _FIRST < expected < _LAST:
            return
        near = ours is not None and 0 <= (ours - expected).total_seconds() < 1
        require(near, f"DATE-OBS is {ours}, to astropy {value!r}")


def _judge_size(header: Any, frame: Frame) -> None:
    if "ZNAXIS1" in header:
        return  # the end of the header before it is lost, and it tells the size of the image unpacked
    sides = [_value(header, keyword) for keyword in ("NAXIS1", "NAXIS2")]
    if frame.width_px is not None and all(type(side) is int and side > 0 for side in sides):
        if _value(header, "NAXIS") not in (2, 3) or _value(header, "SIMPLE") is not True:
            return
        require(
            [frame.width_px, frame.height_px] == sides, f"{frame.width_px} × {frame.height_px}, not {sides}"
        )
