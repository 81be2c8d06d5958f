"""Reads a tag file's lines in any encoding, with any line ends, one at a time."""

from __future__ import annotations

import codecs
import io
import json
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple, TextIO

from manifests.bags.paths import shown

TOO_LARGE = "holds more than the files of its bag explain; nothing from here on was read"
LONGEST_LINE = 1 << 18  # characters: several times what the longest path of any system needs
MARK = "\ufeff"

# Python calls these encodings of text, but they are its own inventions, not character encodings.
_NOT_FOR_FILES = frozenset(("unicode-escape", "raw-unicode-escape", "idna", "punycode", "undefined"))


class Line(NamedTuple):
    """One line without its end; `number` counts from 1. Where there is a `problem`, `text` is empty."""

    number: int
    text: str
    problem: str = ""


def is_encoding(name: str) -> bool:
    """Return whether tag files can be read in this Tag-File-Character-Encoding."""
    try:
        found = codecs.lookup(name)
        io.TextIOWrapper(io.BytesIO(), name)
    except (LookupError, ValueError):  # ValueError: a NUL in the name
        return False
    return found.name.replace("_", "-") not in _NOT_FOR_FILES


def all_of_it(_characters: int) -> bool:
    """Set no bound."""
    return True


def tag_lines(
    file: io.BufferedIOBase, encoding: str, takes: Callable[[int], bool] = all_of_it
) -> Iterator[Line]:
    """Read a tag file's lines, ended by LF, CR or CRLF in any mixture, and close it.

    `takes` is called with the length of each piece, and returns whether that much may still be read; the line
    at which it returns false is the last one. Raises OSError where reading fails.
    """
    with io.TextIOWrapper(file, encoding, "surrogateescape", newline=None) as text:  # type: ignore[type-var]
        number = 0
        while True:
            number += 1
            try:
                line = _next_line(text, number, takes)
            except UnicodeError:
                yield Line(number, "", f"is not {encoding}; nothing from here on was read")
                return
            if line is None:
                return
            yield line
            if line.problem == TOO_LARGE:
                return


def _next_line(text: TextIO, number: int, takes: Callable[[int], bool]) -> Line | None:
    piece = text.readline(LONGEST_LINE)
    if not piece:
        return None
    if not takes(len(piece)):
        return Line(number, "", TOO_LARGE)
    if len(piece) == LONGEST_LINE and piece[-1] != "\n":
        while piece and piece[-1] != "\n":
            piece = text.readline(LONGEST_LINE)
            if not takes(len(piece)):
                return Line(number, "", TOO_LARGE)
        return Line(number, "", f"is longer than {LONGEST_LINE} characters")
    if not _is_unicode(piece):
        return Line(number, "", "holds bytes that are not in the declared encoding")
    return Line(number, piece.removesuffix("\n"))


def without_mark(lines: Iterable[Line]) -> Iterator[Line]:
    """Remove a byte-order mark, which editors add, from the first line."""
    for line in lines:
        yield line._replace(text=line.text.removeprefix(MARK)) if line.number == 1 else line


def _is_unicode(text: str) -> bool:
    """Return whether the text holds no lone surrogate, which is how undecodable bytes show."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def what_is_wrong(error: Exception) -> str:
    """Return in words why a line of JSON cannot be taken for what it should be, to follow what it is not."""
    match error:
        case KeyError():
            return f"it has no {shown(', '.join(map(str, error.args)))}"
        case json.JSONDecodeError() | UnicodeDecodeError():
            return f"it is no JSON: {shown(str(error))}"
        case RecursionError():
            return "it is nested too deeply"
        case ValueError():
            return f"a value that it cannot have: {shown(str(error))}"
        case _:
            return "a value of another kind than it should be"
