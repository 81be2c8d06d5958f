"""Frames of other people, changed until no program would have written them."""

from __future__ import annotations

import functools
import gzip
import importlib.util
import io
import itertools
import random
import re
import warnings
from collections.abc import Callable
from pathlib import Path

RECORD, BLOCK = 80, 2880
_LARGEST = 9 * BLOCK
_MOST_HDUS = 3
_BOMB_BYTES = 256 << 20
_ONE_IN = 10_000  # gzip bombs: each takes a second

# Where frames lie inside other packages.
_PACKAGES = {
    "astropy": ("io/fits/tests/data", "wcs/tests/data", "nddata/tests/data", "timeseries/tests/data"),
    "ccdproc": ("tests/data",),
    "astroscrappy": ("tests/data",),
}

_NUMBERS = re.split(
    " +",
    "0 -1 1 -0.0 1E308 -1E308 1E400 -1E400 1D300 1.5D+02 NaN INF 0x10 1_000 +.5 5. .5 1e-400 T F (1.0,2.0) "
    "'300' '1,5' 300/s 1E 1.2.3 -300 86401 999999999999999999999999999999 1E18 2147483648 1/0 '' '12.5",
)
_DATES = re.split(
    " +",
    "'2026-03-14T21:00:00' '2016-12-31T23:59:60' '2016-12-31T23:59:60.999' '2028-02-29T00:00:00' "
    "'2027-02-29T00:00:00' '2026-12-31T23:59:59.999999999' '2027-01-01' '31/12/99' '1/1/00' '29/02/00' "
    "'0001-01-01T00:00:00' '0000-00-00' '9999-12-31T23:59:59.9' '2026-03-14T24:00:00' '2026-03-14T21:00' "
    "'2026-03-14T21:00:00+14:00' '0001-01-01T00:00:00+23:59' '9999-12-31T23:59:59-23:59' "
    "'2026-03-14T21:00:00-99:99' '2026-03-14T21:00:00Z' '+02026-03-14' '2026-073' 20260314 61113.5 "
    "'2026-3-4T1:2:3' '2026/03/14' '\u00b2026-03-14' '' 'UNKNOWN'",
)
_TEXTS = (
    "'M 31'",
    "'it''s'",
    "''''",
    "''",
    "'   '",
    "'\x1b[2J\x1b]0;x\x07'",
    "'a\x00b'",
    "'\x85\x9b31m'",
    "'\xc3\x84ndromeda'",
    "'\xff\xfe'",
    "'\xe2\x80\xae'",
    "'\xed\xa0\x80'",
    "'unclosed",
    "'continued&'",
    "'" + "x" * 67,
    "'../../etc'",
    "'CON'",
    "NGC 7000",
    "300",
    "T",
    "'NGC 1 NGC 2 NGC 3 NGC 4 M 1 M 2 & M 3'",
    "'a/b' / 'c' / d",
    "'" + "(" * 60 + "'",
)
_KEYWORDS: dict[str, tuple[str, ...] | list[str]] = {
    **dict.fromkeys(("OBJECT", "FILTER", "FILTER1", "IMAGETYP", "INSTRUME", "TIMESYS", "CTYPE1"), _TEXTS),
    **dict.fromkeys(("DATE-OBS", "DATE-AVG", "DATE-END", "TIME-OBS"), _DATES),
    **dict.fromkeys(("EXPTIME", "XPOSURE", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "BITPIX"), _NUMBERS),
    **dict.fromkeys(
        ("PCOUNT", "GCOUNT", "BSCALE", "GAIN", "XBINNING", "CCD-TEMP", "MJD-OBS", "JD"), _NUMBERS
    ),
    **dict.fromkeys(("RA", "DEC", "EQUINOX", "SITELONG", "SITELAT", "ALTITUDE", "AIRMASS"), _NUMBERS),
    **dict.fromkeys(("DATASUM", "CHECKSUM", "SIMPLE", "XTENSION", "GROUPS", "ZIMAGE", "CCDSUM"), _NUMBERS),
}


@functools.cache
def real_frames() -> tuple[bytes, ...]:
    """Return the frames inside other packages, their data made small: what matters is what they say."""
    found = dict.fromkeys(_small(path) for path in _files())
    return tuple(content for content in found if content)


def _files() -> list[Path]:
    files: list[Path] = []
    for package, folders in _PACKAGES.items():
        spec = importlib.util.find_spec(package)
        places = spec.submodule_search_locations if spec else None
        for folder in folders if places else ():
            files += (path for path in sorted((Path(places[0]) / folder).glob("*.fits*")))
    return files


def _small(path: Path) -> bytes:
    from astropy.io import fits

    content = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    parts = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fits.open(io.BytesIO(content), disable_image_compression=True) as hdus:
                places = [(hdu.fileinfo()["hdrLoc"], hdu.fileinfo()["datLoc"]) for hdu in hdus]
        except (OSError, AttributeError, TypeError):
            return content[:BLOCK]
        for start, data in places[:_MOST_HDUS]:
            header = _with_little_data(content[start:data])
            size = fits.Header.fromstring(header).data_size_padded
            parts.append(header + content[data : data + size].ljust(size, b"\0"))
    ends = itertools.accumulate(map(len, parts))
    return b"".join(part for part, end in zip(parts, ends, strict=True) if end <= _LARGEST)


def _with_little_data(header: bytes) -> bytes:
    """Return a header that says one row of data, and nothing behind it."""
    less = re.sub(
        rb"(NAXIS[2-9] +=) +[0-9]+", lambda card: card[1] + b"1".rjust(len(card[0]) - len(card[1])), header
    )
    return re.sub(
        rb"(PCOUNT +=) +[0-9]+", lambda card: card[1] + b"0".rjust(len(card[0]) - len(card[1])), less
    )


def changed(dice: random.Random) -> bytes:
    """Return one more frame that nobody has written."""
    if not dice.randrange(_ONE_IN):
        return _bomb()
    content = bytearray(dice.choice(real_frames()))
    for _ in range(dice.choice((0, 1, 1, 2, 3, 5))):
        dice.choice(_CHANGES)(content, dice)
    return _packed(bytes(content), dice) if not dice.randrange(12) else bytes(content)


def change(content: bytes, dice: random.Random) -> bytes:
    """Return a content changed once more."""
    made = bytearray(content)
    dice.choice(_CHANGES)(made, dice)
    return bytes(made)


# Bytes and blocks


def _flip(content: bytearray, dice: random.Random) -> None:
    for _ in range(dice.randint(1, 8) if content else 0):
        content[dice.randrange(len(content))] ^= 1 << dice.randrange(8)


def _overwrite(content: bytearray, dice: random.Random) -> None:
    at = dice.randrange(len(content) + 1)
    made = dice.choice((dice.randbytes(8), bytes(dice.randrange(300)), b" " * 80, b"\xff" * 80, b"'" * 7))
    content[at : at + len(made)] = made


def _insert(content: bytearray, dice: random.Random) -> None:
    at = dice.randrange(len(content) + 1)
    content[at:at] = dice.randbytes(dice.choice((1, 2, 79, 80, 2880)))


def _cut(content: bytearray, dice: random.Random) -> None:
    del content[dice.randrange(len(content) + 1) :]


def _swap_blocks(content: bytearray, dice: random.Random) -> None:
    one, other = (dice.randrange(len(content) // BLOCK + 1) * BLOCK for _ in range(2))
    content[one : one + BLOCK], content[other : other + BLOCK] = (
        content[other : other + BLOCK],
        content[one : one + BLOCK],
    )


def _double_block(content: bytearray, dice: random.Random) -> None:
    at = dice.randrange(len(content) // BLOCK + 1) * BLOCK
    content[at:at] = content[at : at + BLOCK]


def _append_other(content: bytearray, dice: random.Random) -> None:
    del content[dice.randrange(len(content) // BLOCK + 1) * BLOCK :]
    content += dice.choice(real_frames())[: 4 * BLOCK]


# Cards


def _place(content: bytearray, dice: random.Random) -> int:
    """Return where a card of the first blocks stands: there are the facts."""
    return dice.randrange(min(len(content), 4 * BLOCK) // RECORD + 1) * RECORD


def _put(content: bytearray, at: int, card: str) -> None:
    record = card.encode("latin-1", "replace")
    content[at : at + RECORD] = record[:RECORD].ljust(RECORD) if len(record) <= RECORD else record


def _say_something(content: bytearray, dice: random.Random) -> None:
    """Let a keyword that matters have a value that it should not have, in its place or in another."""
    keyword = dice.choice(sorted(_KEYWORDS))
    at = content.find(keyword.ljust(8).encode() + b"=")
    value = dice.choice(_KEYWORDS[keyword])
    form = dice.choice(("{:<8}= {:>20}", "{:<8}= {}", "{:<8}={}", "{:<8}= {} / [min] x", "HIERARCH {} = {}"))
    _put(
        content, at if at >= 0 and dice.random() < 0.7 else _place(content, dice), form.format(keyword, value)
    )


def _put_card(content: bytearray, dice: random.Random) -> None:
    _put(content, _place(content, dice), dice.choice(_CARDS))


def _splice(content: bytearray, dice: random.Random) -> None:
    other = dice.choice(real_frames())
    at, start = _place(content, dice), dice.randrange(len(other) // RECORD + 1) * RECORD
    count = dice.randint(1, 5) * RECORD
    content[at : at + count] = other[start : start + count]


def _drop_card(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    del content[at : at + RECORD]


def _double_card(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    content[at:at] = content[at : at + RECORD] * dice.choice((1, 2, 36, 300))


def _lower(content: bytearray, dice: random.Random) -> None:
    at = _place(content, dice)
    content[at : at + RECORD] = content[at : at + RECORD].swapcase()


def _continue(content: bytearray, dice: random.Random) -> None:
    """Let a string go on, and on."""
    at = _place(content, dice)
    keyword = dice.choice(("OBJECT", "FILTER", "LONGSTRN"))
    lines = [
        f"{keyword:<8}= 'a name&'",
        *["CONTINUE  'of words&'"] * dice.choice((0, 1, 3, 70)),
        "CONTINUE  'end'",
    ]
    content[at:at] = "".join(line.ljust(RECORD) for line in lines).encode()


_CARDS = (
    "END",
    "END     = 1",
    "END" + "\0" * 77,
    "\0" * 80,
    "",
    "=" * 80,
    "'" * 80,
    "HIERARCH",
    "HIERARCH  = ",
    "HIERARCH A B C OBJECT = 'x",
    "HIERARCH OBJECT=",
    "HIERARCH$FILTER = 'unclosed",
    "CONTINUE  '",
    "COMMENT = 'x'",
    "HISTORY" + "\xff" * 73,
    "        = 5",
    "OBJECT  =",
    "object  = 'lower'",
    "EXPTIME = 1 (2",
    "DATE-OBS= {'a': 1}",
    "XTENSION= 'IMAGE   '",
    "SIMPLE  =                    T",
    "SIMPLE  =                    F",
    "NAXIS   =                  999",
    "NAXIS1  =  9999999999999999999",
    "NAXIS1  =                   -5",
    "BITPIX  =                    7",
    "BITPIX  =                  -64",
    "PCOUNT  =  1152921504606846976",
    "GCOUNT  =  1152921504606846975",
    "\x93\xfa\x96\x7b\x8c\xea",
)
_CHANGES: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip,
    _overwrite,
    _insert,
    _cut,
    _swap_blocks,
    _double_block,
    _append_other,
    *[_say_something] * 8,
    *[_put_card] * 3,
    *[_splice] * 2,
    _drop_card,
    _double_card,
    _lower,
    _continue,
)


# Packed


def _packed(content: bytes, dice: random.Random) -> bytes:
    packed = bytearray(gzip.compress(content, 1, mtime=0))
    damage: Callable[[bytearray, random.Random], None] = dice.choice(
        (_leave, _flip, _cut, _insert, _two_members)
    )
    damage(packed, dice)
    return bytes(packed)


def _leave(content: bytearray, dice: random.Random) -> None:
    pass


def _two_members(content: bytearray, dice: random.Random) -> None:
    content += gzip.compress(dice.choice(real_frames()), 1, mtime=0)


@functools.cache
def _bomb() -> bytes:
    """Return a gzip of a frame that says that all of the zeros behind it are data."""
    cards = ("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1", f"NAXIS1  = {_BOMB_BYTES}", "END")
    header = "".join(card.ljust(RECORD) for card in cards).ljust(BLOCK).encode()
    return gzip.compress(header + bytes(_BOMB_BYTES), 9, mtime=0)
