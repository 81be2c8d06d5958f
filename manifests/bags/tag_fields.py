"""Reads and writes `Label: value` lines (bagit.txt, bag-info.txt); no written value can inject a line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from manifests.bags.declared import Faults
from manifests.bags.tag_lines import Line

# RFC 8493, section 2.2.2: lines should not exceed 79 characters.
_WIDTH = 79
# What bag-info.txt may hold in all before the rest is left unread.
_MOST_CHARACTERS = 1 << 24
_FIELD_COSTS = 512  # in memory, beside its text

# Everything that some reader takes for the end of a line, and what no text file should hold.
_BREAKS_A_LINE = re.compile("[\\x00-\\x1f\\x7f-\\x9f\u2028\u2029]+")


class Field(NamedTuple):
    """One element; `line` is the number of its first line."""

    label: str
    value: str
    line: int


def read_fields(lines: Iterable[Line], faults: Faults) -> list[Field]:
    """Read the elements in their order, labels repeated or not; continuation lines are joined by a space."""
    folded: list[tuple[str, list[str], int]] = []
    for line in _bounded(lines, faults):
        label, colon, value = line.text.partition(":")
        if line.problem:
            faults.add(line.number, line.problem)
        elif line.text[:1] in (" ", "\t") and folded and line.text.strip():
            folded[-1][1].append(line.text.strip())
        elif colon and label.strip() and line.text[0] not in " \t":
            folded.append((label.strip(), [value.strip()], line.number))
        elif line.text.strip():
            faults.add(line.number, "is neither 'Label: value' nor the continuation of one")
    return [Field(label, " ".join(filter(None, parts)), number) for label, parts, number in folded]


def _bounded(lines: Iterable[Line], faults: Faults) -> Iterator[Line]:
    left = _MOST_CHARACTERS
    for line in lines:
        left -= len(line.text) + _FIELD_COSTS
        if left < 0:
            faults.add(line.number, "starts beyond what such a file may hold; nothing from here on was read")
            return
        yield line


def written_field(label: str, value: str) -> str:
    """Return an element as the line or lines of bag-info.txt, the last line end included.

    White space and line breaks of any kind inside the value become one space; a long value is folded.
    Raises ValueError where the label cannot be one.
    """
    if not label or label != label.strip() or ":" in label or _BREAKS_A_LINE.search(label):
        raise ValueError(f"not a label: {label!r}")
    one_line = " ".join(_BREAKS_A_LINE.sub(" ", value).split())
    lines = textwrap.wrap(
        one_line,
        _WIDTH,
        initial_indent=f"{label}: ",
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(lines or [f"{label}: "]) + "\n"
