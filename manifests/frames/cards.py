"""The cards of a header's bytes: the value and comment of the keywords that are asked for."""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import dataclass

RECORD = 80

# A string of 64 continued records is some four thousand characters: more is no name of anything,
# and the time to read one grows with the square of its length.
_MOST_CONTINUED = 64

# Nearly every card is one of these: a string without quotes in it, a whole number, a decimal, a logical.
# Reading them here takes a twentieth of the time of the library, which reads all the others.
_PLAIN = re.compile(
    r"= +(?:'([ -&(-~]*)'|([+-]?[0-9]+)|([+-]?(?:[0-9]+\.[0-9]*|\.[0-9]+)(?:[ED][+-]?[0-9]+)?)|([TF]))"
    r" *(?:/|$)"
)
# What a string looks like that holds bytes outside ASCII, which the standard forbids and cameras
# set up in other languages write.
_LOOSE_STRING = re.compile(r"= *'((?:[^']|'')*)' *(?:/.*)?$", re.DOTALL)
_COMMENT = re.compile(r" *(?:'(?:[^']|'')*')?[^/]*/ *(.*)", re.DOTALL)

Value = str | int | float | complex | bool


@dataclass(frozen=True, slots=True)
class CardValue:
    """A keyword's value (text, a number or a logical; never undefined), with the field behind its "="."""

    value: Value
    field: str = ""

    @property
    def comment(self) -> str:
        """The comment, read only when asked for: most facts need none."""
        match = _COMMENT.match(self.field)
        return match[1].rstrip() if match else ""


def read_cards(header: bytes, wanted: Container[str]) -> dict[str, CardValue]:
    """Read the wanted keywords of a header in one pass; what cannot be read is left out.

    The first card of a keyword that has a value counts. A keyword of the HIERARCH convention is
    wanted by its name without the word HIERARCH. CONTINUE is followed.
    """
    text = header.decode("latin-1")
    found: dict[str, CardValue] = {}
    for start in range(0, len(text), RECORD):
        keyword = _keyword(text, start)
        if keyword == "END":
            break
        if keyword in wanted and keyword not in found:
            value = _read_value(_whole_image(text, start))
            if value is not None:
                found[keyword] = value
    return found


def _keyword(text: str, start: int) -> str:
    """Return a record's keyword, or nothing where it is a comment or not a card of a value."""
    name = text[start : start + 8].rstrip()
    if text[start + 8 : start + 10] == "= " or name == "END":
        return name.upper()
    convention, equals, _ = text[start : start + RECORD].partition("=")
    return convention[9:].strip().upper() if convention.startswith("HIERARCH ") and equals else ""


def _whole_image(text: str, start: int) -> str:
    """Return a record together with the CONTINUE records behind it."""
    end = start + RECORD
    while text[end : end + 8] == "CONTINUE" and end - start < _MOST_CONTINUED * RECORD:
        end += RECORD
    return text[start:end]


def _read_value(image: str) -> CardValue | None:
    plain = _PLAIN.match(image, 8) if len(image) <= RECORD else None
    value = _plain_value(plain) if plain else _value_by_astropy(image)
    if isinstance(value, str):
        value = _as_written(value.strip()) or None
    return None if value is None else CardValue(value, image[:RECORD].partition("=")[2])


def _plain_value(plain: re.Match[str]) -> Value:
    string, whole, decimal, logical = plain.groups()
    if string is not None:
        return string
    if whole is not None:
        return int(whole)
    return logical == "T" if decimal is None else float(decimal.replace("D", "E"))


def _value_by_astropy(image: str) -> Value | None:
    """Read a card that is not plain: CONTINUE, HIERARCH, quotes in a string, complex, free format, broken.

    Only records with a value indicator come here: for those the library warns about nothing, and no
    warning has to be silenced, which could not be done safely in a run of several threads.
    """
    from astropy.io.fits import Card, VerifyError

    try:
        value = Card.fromstring(image).value
    except (VerifyError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError):
        match = _LOOSE_STRING.match(image[8:RECORD])
        value = match[1].replace("''", "'") if match else None
    return value if isinstance(value, str | bool | int | float | complex) else None


def _as_written(value: str) -> str:
    """Return a string as its writer meant it: programs that leave ASCII write UTF-8 or Latin-1."""
    if value.isascii():
        return value
    try:
        return value.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return value
