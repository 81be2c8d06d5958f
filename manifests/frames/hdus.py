"""The arithmetic of HDUs: what a header says about the size of its data (FITS Standard 4.0)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import prod

BLOCK = 2880
RECORD = 80

# No file is this long: a header that says so is garbage, not a promise of data.
_ABSURD_BYTES = 2**60

_INTEGER = re.compile(rb" *([+-]?[0-9]{1,40}) *(?:/.*)?", re.DOTALL)
_STRING = re.compile(rb" *'((?:[^']|'')*)'")
_BITPIX = (8, 16, 32, 64, -32, -64)


class HeaderUnreadable(ValueError):
    """A header that does not say its own size, or that of its data."""


@dataclass(frozen=True, slots=True)
class Hdu:
    """What one header says about its HDU.

    `kind` is the value of XTENSION, empty for the primary HDU. `data_bytes` is the data unit's size
    without the padding to whole blocks. `image_px` is width and height where the HDU holds an image;
    of a tile-compressed one (section 10.1) those of the image, not of the table that holds it.
    `datasum` and `checksum` are the values of those cards, `None` where absent or blank. A file that
    says SIMPLE = F is not `standard`: nothing is known about its data.
    """

    kind: str
    standard: bool
    data_bytes: int
    image_px: tuple[int, int] | None
    datasum: str | None
    checksum: str | None

    @property
    def padded_bytes(self) -> int:
        """The data unit's size in whole blocks, bytes."""
        return -(-self.data_bytes // BLOCK) * BLOCK


def ends_header(block: bytes | bytearray) -> bool:
    """Return whether one of a block's records is END (section 4.4.1.1)."""
    starts = range(0, len(block) - 7, RECORD)
    return any(block[start : start + 8] == b"END     " for start in starts)


def read_hdu(header: bytes) -> Hdu:
    """Read what a whole header, up to and with END, says about its HDU.

    Raises HeaderUnreadable where a mandatory keyword is missing or has an impossible value.
    """
    records = _records(header)
    kind = _text(records, b"XTENSION") or ""
    if not kind and b"SIMPLE" not in records:
        raise HeaderUnreadable("it has neither SIMPLE nor XTENSION")
    axes = _axes(records, b"NAXIS")
    size = _data_bytes(records, axes, extension=bool(kind))
    if size >= _ABSURD_BYTES:
        raise HeaderUnreadable("its data would be larger than any file")
    return Hdu(
        kind=kind,
        standard=bool(kind) or _is_true(records, b"SIMPLE"),
        data_bytes=size,
        image_px=_image_px(records, kind, axes),
        datasum=_text(records, b"DATASUM"),
        checksum=_text(records, b"CHECKSUM"),
    )


def _records(header: bytes) -> dict[bytes, bytes]:
    """Return each keyword's value field; of a repeated keyword the first, as is common practice."""
    records: dict[bytes, bytes] = {}
    for start in range(0, len(header), RECORD):
        keyword = header[start : start + 8].rstrip()
        if keyword == b"END":
            break
        if header[start + 8 : start + 9] == b"=":
            records.setdefault(keyword, header[start + 9 : start + RECORD])
    return records


def _axes(records: dict[bytes, bytes], keyword: bytes) -> list[int]:
    count = _integer(records, keyword, 0, 999)
    return [_integer(records, keyword + str(axis).encode(), 0) for axis in range(1, count + 1)]


def _data_bytes(records: dict[bytes, bytes], axes: list[int], *, extension: bool) -> int:
    """Return the size of the data unit, equations 1, 2 and 4 of the standard."""
    bitpix = _integer(records, b"BITPIX", -64)
    if bitpix not in _BITPIX:
        raise HeaderUnreadable(f"BITPIX is {bitpix}")
    if not axes:
        return 0
    groups = not extension and axes[0] == 0 and _is_true(records, b"GROUPS")
    elements = prod(axes[1:] if groups else axes)
    if extension or groups:
        pcount = _integer(records, b"PCOUNT", 0) if b"PCOUNT" in records else 0
        gcount = _integer(records, b"GCOUNT", 0) if b"GCOUNT" in records else 1
        elements = gcount * (pcount + elements)
    return abs(bitpix) // 8 * elements


def _image_px(records: dict[bytes, bytes], kind: str, axes: list[int]) -> tuple[int, int] | None:
    if kind == "BINTABLE" and _is_true(records, b"ZIMAGE"):
        axes = _axes(records, b"ZNAXIS")
    elif kind not in ("", "IMAGE"):
        return None
    return (axes[0], axes[1]) if len(axes) >= 2 and prod(axes) > 0 else None


def _integer(records: dict[bytes, bytes], keyword: bytes, least: int, most: int | None = None) -> int:
    name = keyword.decode("latin-1")
    if keyword not in records:
        raise HeaderUnreadable(f"{name} is missing")
    match = _INTEGER.fullmatch(records[keyword])
    if match is None:
        raise HeaderUnreadable(f"{name} is not a whole number")
    value = int(match[1])
    if value < least or (most is not None and value > most):
        raise HeaderUnreadable(f"{name} is {value}")
    return value


def _is_true(records: dict[bytes, bytes], keyword: bytes) -> bool:
    return records.get(keyword, b"").split(b"/", 1)[0].strip() == b"T"


def _text(records: dict[bytes, bytes], keyword: bytes) -> str | None:
    """Return a string's text; of a value without quotes, which some programs write, what stands there."""
    field = records.get(keyword, b"")
    match = _STRING.match(field)
    value = match[1] if match else field.split(b"/", 1)[0]
    return value.decode("latin-1").strip() or None
