"""A log's lines: any line ends, several encodings, and never more of them in memory than one."""

from __future__ import annotations

import codecs
import io
from collections.abc import Iterator
from typing import BinaryIO, NamedTuple, TextIO

LONGEST_LINE = 1 << 16  # characters
_LOOKED_AT = 1 << 13  # bytes, to find the encoding

# What an 8-bit text is read as where it is not UTF-8: common practice on the systems that write such logs.
_EIGHT_BIT = "cp1252"
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_TEXT_CONTROLS = frozenset(b"\t\n\r\f\x1b\x00")
_CONTROLS = frozenset(range(32)) - _TEXT_CONTROLS


class NotText(ValueError):
    """A file that holds no text."""


class Line(NamedTuple):
    """One line without its end, counted from 1.

    `cut` says that the file ended before the line did, so that what stands last in it may be half of what
    was meant. `text` is None for a line that is longer than LONGEST_LINE.
    """

    number: int
    text: str | None
    cut: bool


def log_lines(file: BinaryIO) -> Iterator[Line]:
    """Read the lines of a log, ended by LF, CR or CRLF, and leave the file open.

    UTF-8 and UTF-16 with or without a mark; a line that is neither is read as Windows-1252. NULs, which a
    power cut leaves behind, are taken out. Raises NotText, OSError.
    """
    buffered = io.BufferedReader(_Unclosed(file))
    encoding = _encoding_of(buffered.peek(_LOOKED_AT)[:_LOOKED_AT])
    errors = "replace" if encoding.startswith("utf-16") else "surrogateescape"
    with io.TextIOWrapper(buffered, encoding, errors, newline=None) as text:
        yield from _lines_of(text)


def text_of(content: bytes) -> str:
    """Return a whole file's content as text, by the same rules. Raises NotText."""
    encoding = _encoding_of(content[:_LOOKED_AT])
    errors = "replace" if encoding.startswith("utf-16") else "surrogateescape"
    return _unescaped(content.decode(encoding, errors).replace("\0", ""))


def _lines_of(text: TextIO) -> Iterator[Line]:
    number = 0
    while piece := text.readline(LONGEST_LINE):
        number += 1
        if len(piece) == LONGEST_LINE and piece[-1] != "\n":
            while piece and piece[-1] != "\n":
                piece = text.readline(LONGEST_LINE)
            yield Line(number, None, not piece)
            continue
        ended = piece[-1] == "\n"
        line = piece[:-1] if ended else piece
        if not line.isascii():
            line = _unescaped(line)
        if "\0" in line:
            line = line.replace("\0", "")
        yield Line(number, line, not ended)


def _unescaped(text: str) -> str:
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogateescape").decode(_EIGHT_BIT, "replace")
    return text


def _encoding_of(start: bytes) -> str:
    """Return the encoding of a file that begins so. Raises NotText."""
    for mark, name in _BOMS:
        if start.startswith(mark):
            return name
    pairs = len(start) // 2
    if pairs and start[1::2].count(0) > 0.4 * pairs and start[::2].count(0) < 0.1 * pairs:
        return "utf-16-le"
    if pairs and start[::2].count(0) > 0.4 * pairs and start[1::2].count(0) < 0.1 * pairs:
        return "utf-16-be"
    if sum(map(start.count, map(_byte, _CONTROLS))) > 0.05 * len(start):
        raise NotText("it holds no text")
    return "utf-8"


def _byte(value: int) -> bytes:
    return bytes((value,))


class _Unclosed(io.RawIOBase):
    """A binary file as a raw one, which stays open when what wraps it is closed."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        piece = self._file.read(len(buffer))
        buffer[: len(piece)] = piece
        return len(piece)
