"""Tables of text that fit the terminal: columns are left out or narrowed in a fixed order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from transfer.cli.screen import Screen, columns_of, first_columns, last_columns

Cell = str | Sequence[str] | None
"""A text, several texts that are not broken between lines, or None where nothing is known."""

NOTHING = "-"
_GAP = "  "
# Rows that are laid out together; a longer list is several tables, each with its own heading.
_AT_ONCE = 10_000


class Narrow(Enum):
    """What a column does where the screen is too narrow for it."""

    STAYS = "stays as wide as it is"
    WRAPS = "goes on below"
    LOSES_ITS_END = "is cut at its end"
    LOSES_ITS_START = "is cut at its start"


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its heading, and how it is narrowed.

    It becomes no narrower than `least`. Where all are as narrow as they can be and still too wide, those
    with an `expendable` above 0 are left out, the highest first. One that is `rare` is there only where it
    says something.
    """

    heading: str
    right: bool = False
    narrow: Narrow = Narrow.STAYS
    least: int = 8
    expendable: int = 0
    rare: bool = False


def table(columns: Sequence[Column], rows: Iterable[Sequence[Cell]], screen: Screen) -> Iterator[str]:
    """Return the lines of a table. Without a width to fit into, nothing is cut, wrapped or left out."""
    rest = iter(rows)
    while chunk := list(islice(rest, _AT_ONCE)):
        cells_of_columns = zip(*chunk, strict=True)
        laid = [_Laid(column, cells, screen) for column, cells in zip(columns, cells_of_columns, strict=True)]
        shown = [column for column in laid if column.says_something]
        if screen.width is not None:
            _fit(shown, screen.width)
        yield from _lines(shown)


class _Laid:
    """A column with its texts, the heading first: `width` is its width, `least` the narrowest possible."""

    def __init__(self, column: Column, cells: Sequence[Cell], screen: Screen) -> None:
        self._screen = screen
        self._narrow = column.narrow
        self._pad = str.rjust if column.right else str.ljust
        self._cells = (column.heading, *cells)
        # Plain texts are taken here, without a call: a long list has tens of thousands of cells.
        self._texts = [
            cell if isinstance(cell, str) and cell.isascii() and cell.isprintable() else _text(cell, screen)
            for cell in self._cells
        ]
        self._plain = all(map(str.isascii, self._texts))
        self.expendable = column.expendable
        self.says_something = not column.rare or not {NOTHING, ""}.issuperset(self._texts[1:])
        self.width = self._natural = max(map(len if self._plain else columns_of, self._texts))
        stays = column.narrow is Narrow.STAYS
        self.least = self.width if stays else min(self.width, max(column.least, columns_of(column.heading)))

    def padded(self) -> tuple[list[str], dict[int, list[str]]]:
        """Return each cell's first line, and the lines below it by row number, all as wide as the column."""
        pad, width = self._pad, self.width
        if self._plain and width == self._natural:  # as most columns of a long list
            return [pad(text, width) for text in self._texts], {}
        firsts: list[str] = []
        below: dict[int, list[str]] = {}
        for at, text in enumerate(self._texts):
            lines = [text] if columns_of(text) <= width else self._broken(at)
            first, *rest = [pad(line, width - columns_of(line) + len(line)) for line in lines]
            firsts.append(first)
            if rest:
                below[at] = rest
        return firsts, below

    def _broken(self, at: int) -> Iterable[str]:
        text, cell, ellipsis = self._texts[at], self._cells[at], self._screen.clean("…")
        room = self.width - columns_of(ellipsis)
        if self._narrow is Narrow.LOSES_ITS_START:
            return [ellipsis + last_columns(text, room)]
        if self._narrow is Narrow.LOSES_ITS_END:
            return [first_columns(text, room) + ellipsis]
        if cell is None or isinstance(cell, str):
            return _wrapped(text.split(" "), " ", self.width)
        return _wrapped(map(self._screen.clean, cell), _GAP, self.width)


def _text(cell: Cell, screen: Screen) -> str:
    if cell is None:
        return NOTHING
    return screen.clean(cell if isinstance(cell, str) else _GAP.join(cell))


def _lines(columns: Sequence[_Laid]) -> Iterator[str]:
    padded = [column.padded() for column in columns]
    broken = set().union(*(below for _, below in padded))
    for at, cells in enumerate(zip(*(firsts for firsts, _ in padded), strict=True)):
        yield _GAP.join(cells).rstrip()
        if at in broken:
            yield from _below(columns, [below.get(at, []) for _, below in padded])


def _below(columns: Sequence[_Laid], cells: Sequence[Sequence[str]]) -> Iterator[str]:
    for at in range(max(map(len, cells))):
        parts = zip(cells, columns, strict=True)
        line = (lines[at] if at < len(lines) else " " * column.width for lines, column in parts)
        yield _GAP.join(line).rstrip()


def _fit(columns: list[_Laid], width: int) -> None:
    """Leave columns out and make others narrower, until they fit or cannot be narrowed further."""
    while _sum(columns, [column.least for column in columns]) > width:
        last = max(columns, key=lambda column: column.expendable)
        if last.expendable == 0:
            break
        columns.remove(last)
    while (over := _sum(columns, [column.width for column in columns]) - width) > 0:
        wide = sorted(columns, key=lambda column: column.least - column.width)
        give = wide[0].width - wide[0].least
        if give == 0:
            return
        next_one = wide[1].width - wide[1].least if len(wide) > 1 else 0
        wide[0].width -= min(over, max(1, give - next_one))


def _sum(columns: Sequence[_Laid], widths: Iterable[int]) -> int:
    return sum(widths) + len(_GAP) * (len(columns) - 1)


def _wrapped(words: Iterable[str], gap: str, width: int) -> Iterator[str]:
    """Break between words, and within a word that is too long by itself."""
    line = ""
    for word in words:
        if line and columns_of(line) + len(gap) + columns_of(word) > width:
            yield line
            line = ""
        line = f"{line}{gap}{word}" if line else word
        while columns_of(line) > width and (start := first_columns(line, width)):
            yield start
            line = line[len(start) :]
    yield line
