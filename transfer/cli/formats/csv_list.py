"""Frames as CSV (RFC 4180, lines ended as Unix does): for spreadsheets and scripts."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import BinaryIO

from manifests.index.frame_query import FrameRow
from transfer.cli.formats.columns import COLUMNS, findings_told
from transfer.cli.formats.listing import Listing

_HEADING = ("path", *(column.name for column in COLUMNS), "findings")


def write_csv(listing: Listing, out: BinaryIO) -> None:
    """Write a heading and a line for each frame, in UTF-8; what is not known is empty.

    Control characters are spelt out, so that a list is safe on a terminal and a line is a frame.
    """
    text = io.TextIOWrapper(out, "utf-8", "backslashreplace", "\n")
    try:
        lines = csv.writer(text, lineterminator="\n")
        lines.writerow(_HEADING)
        for row in listing:
            lines.writerow(_cells(listing, row))
    finally:
        text.detach()


def _cells(listing: Listing, row: FrameRow) -> Iterator[object]:
    yield spelt_out(str(listing.path_of(row)))
    for column in COLUMNS:
        yield _cell(column.value(row))
    yield findings_told(row)


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    return spelt_out(value) if isinstance(value, str) else value


def spelt_out(text: str) -> str:
    """Return a text with its control characters written as Python escapes."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else each.encode("unicode_escape").decode() for each in text)
