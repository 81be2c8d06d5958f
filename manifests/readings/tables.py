"""Delimited text: the delimiter and the line of column names found, each line split into its cells."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from manifests.readings.text import Line

DELIMITERS = (",", ";", "\t", "|")
# A header deeper down than this is none: logs begin with a few lines about themselves at most.
_HEADER_WITHIN = 200
_LONGEST_SHOWN = 120


class Row(NamedTuple):
    """One row of a table: the cells that were asked for (None where the row is too short), and its text."""

    number: int
    cells: tuple[str | None, ...]
    text: str


class NoHeader(ValueError):
    """A table in which no line has the columns that were asked for; the text says what was seen."""


def table_rows(lines: Iterable[Line], columns: Sequence[str | int]) -> Iterator[Row]:
    """Read a table's rows; each has the cells of `columns`, by name or by number from 1.

    A line that has the names of all columns is a line of names, wherever it stands: a program that is
    started again writes it again, perhaps in another order. Names match without regard to case and to
    space around them. The last cell of a line that the file's end cuts off may be half of what was meant
    and is left out. Raises NoHeader.
    """
    names = [column.strip().casefold() for column in columns if isinstance(column, str)]
    layout = None if names else _Layout("", tuple(int(column) - 1 for column in columns))
    first = ""
    for line in lines:
        if line.text is None or not line.text.strip():
            continue
        first = first or line.text
        header = _header(line.text, columns, names) if names else None
        if header is not None:
            layout = header
            continue
        if layout is None:
            if line.number > _HEADER_WITHIN:
                break
            continue
        if not layout.delimiter and not names:
            layout = layout._replace(delimiter=_delimiter_of(line.text, max(layout.places)))
        yield layout.row(line)
    if layout is None and first:
        asked = ", ".join(f'"{column}"' for column in columns)
        raise NoHeader(f"no line has the columns {asked}; it begins: {first[:_LONGEST_SHOWN]}")


def cells_of(text: str, delimiter: str) -> list[str]:
    """Split one line into cells; " " stands for any white space. Quoted cells may hold the delimiter."""
    if delimiter == " ":
        return text.split()
    if '"' not in text:
        return text.split(delimiter)
    try:
        return next(csv.reader((text,), delimiter=delimiter), [])
    except csv.Error:  # a quoted cell that is longer than that module takes
        return text.split(delimiter)


def names_in(text: str) -> tuple[list[str], str]:
    """Return the column names that a header line seems to have, and its delimiter."""
    delimiter = max((*DELIMITERS,), key=text.count)
    delimiter = delimiter if delimiter in text else " "
    return [name.strip().lstrip("#").strip() for name in cells_of(text, delimiter)], delimiter


class _Layout(NamedTuple):
    delimiter: str
    places: tuple[int, ...]

    def row(self, line: Line) -> Row:
        assert line.text is not None
        cells = cells_of(line.text, self.delimiter) if self.delimiter else []
        there = len(cells) - 1 if line.cut else len(cells)
        return Row(
            line.number,
            tuple(cells[place] if 0 <= place < there else None for place in self.places),
            line.text,
        )


def _header(text: str, columns: Sequence[str | int], names: list[str]) -> _Layout | None:
    # Most lines are rows: a name that is nowhere in the line ends the search at once.
    if names[0] not in text.casefold():
        return None
    for delimiter in (*DELIMITERS, " "):
        cells = [cell.strip().lstrip("#").strip().casefold() for cell in cells_of(text, delimiter)]
        if all(name in cells for name in names):
            places = (
                cells.index(column.strip().casefold()) if isinstance(column, str) else column - 1
                for column in columns
            )
            return _Layout(delimiter, tuple(places))
    return None


def _delimiter_of(text: str, last_place: int) -> str:
    """Return the first delimiter that gives a line as many cells as are asked for, "" where none does."""
    return next((one for one in (*DELIMITERS, " ") if len(cells_of(text, one)) > last_place), "")
