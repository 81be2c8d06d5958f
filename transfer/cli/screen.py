"""What an output can show: its width, the characters that it can encode, and how many columns they take."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Mapping
from typing import NamedTuple, TextIO

# Written instead where an output's encoding lacks a character.
_PLAINER = {"…": "~", "°": "deg", "′": "'", "×": "x", "–": "-", "−": "-"}
_DEGREES = re.compile(r"(?<=\d)°(\d?)")
_NO_COLUMN = ("Mn", "Me", "Cf")


class Screen(NamedTuple):
    """An output for people: `width` in columns, None where there is no limit, and its `encoding`."""

    width: int | None
    encoding: str

    def clean(self, text: str) -> str:
        """Return a text that is safe to show here: characters that a terminal obeys are escaped.

        Control characters, marks of direction, and what the encoding lacks are written as Python escapes.
        """
        if text.isascii() and text.isprintable():
            return text
        if "°" in text and not self._can_write("°"):
            text = _DEGREES.sub(lambda found: f" deg {found[1]}".rstrip(), text)
        return "".join(map(self._character, text))

    def _character(self, character: str) -> str:
        if not character.isprintable():
            return _escaped(character)
        if self._can_write(character):
            return character
        return _PLAINER.get(character) or _escaped(character)

    def _can_write(self, character: str) -> bool:
        try:
            character.encode(self.encoding)
        except UnicodeEncodeError:
            return False
        return True


def screen_of(stream: TextIO, environ: Mapping[str, str] = os.environ) -> Screen:
    """Return what an output can show.

    $COLUMNS sets the width; else a terminal has a width, and a pipe or a file has none.
    """
    return Screen(_width_asked_for(environ) or _width_of(stream), stream.encoding or "ascii")


def _width_asked_for(environ: Mapping[str, str]) -> int | None:
    asked = environ.get("COLUMNS", "")
    return int(asked) if asked.isascii() and asked.isdigit() and int(asked) else None


def _width_of(stream: TextIO) -> int | None:
    try:
        # A terminal that was told no size says 0.
        return (os.get_terminal_size(stream.fileno()).columns or None) if stream.isatty() else None
    except (OSError, ValueError):
        return None


def columns_of(text: str) -> int:
    """Return how many columns a clean text takes: two for a wide character, none for a combining one.

    Unicode's annexes 11 and 44: East Asian Width W and F are wide, the marks Mn and Me go over others.
    """
    if text.isascii():
        return len(text)
    return sum(map(_columns_of_character, text))


def _columns_of_character(character: str) -> int:
    if unicodedata.category(character) in _NO_COLUMN:
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def first_columns(text: str, width: int) -> str:
    """Return as much of a text's start as fits."""
    taken = 0
    for at, character in enumerate(text):
        taken += _columns_of_character(character)
        if taken > width:
            return text[:at]
    return text


def last_columns(text: str, width: int) -> str:
    """Return as much of a text's end as fits."""
    start, left = 0, columns_of(text) - width
    # A combining mark goes with the character before it.
    while start < len(text) and (left > 0 or (start and not _columns_of_character(text[start]))):
        left -= _columns_of_character(text[start])
        start += 1
    return text[start:]


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
