"""Paths into a JSON document, such as a.b[0].c or samples[].value, and the values that they lead to."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

# A name without dots and brackets, or any name in double quotes; [] is every element of a list.
_STEP = re.compile(r'\.?(?:"([^"]+)"|([^.\[\]"]+))|\[([0-9]{1,9})?\]')
_LONGEST_PATH = 500
# Possessive, as a text without its end must not be tried again from each of its characters.
_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*+"?|[\[\]{},]', re.DOTALL)
_CLOSED_BY = {"[": "]", "{": "}"}
MOST_TEXTS = 100_000
_EACH = -1

Place = tuple[int, ...]


class Found(NamedTuple):
    """One value; `place` are the numbers of the list elements that a path's [] went through."""

    place: Place
    value: object


class JsonPath:
    """One path. Raises ValueError where it cannot be read."""

    def __init__(self, written: str) -> None:
        self.steps = tuple(_steps(written))

    def values(self, document: object) -> Iterator[Found]:
        """Return every value that the path leads to, in the document's order."""
        found = [Found((), document)]
        for step in self.steps:
            found = [deeper for one in found for deeper in _taken(one, step)]
            if not found:
                break
        return iter(found)


def texts_in(document: object) -> Iterator[Found]:
    """Return every text of a document with the list elements that it lies in; no more than MOST_TEXTS."""
    count = 0
    pending: list[Found] = [Found((), document)]
    while pending and count < MOST_TEXTS:
        place, value = pending.pop()
        if isinstance(value, str):
            count += 1
            yield Found(place, value)
        elif isinstance(value, dict):
            pending.extend(Found(place, each) for each in reversed(value.values()))
        elif isinstance(value, list):
            numbered = list(enumerate(value))
            pending.extend(Found((*place, at), each) for at, each in reversed(numbered))


def closed_before_the_cut(text: str) -> str:
    """Return what a document that was cut off has before its last comma, with its brackets closed."""
    end = 0
    for token in _TOKEN.finditer(text):
        if token[0] == ",":
            end = token.start()
    closing: list[str] = []
    for token in _TOKEN.finditer(text, 0, end):
        if token[0] in _CLOSED_BY:
            closing.append(_CLOSED_BY[token[0]])
        elif token[0] in "]}" and closing:
            closing.pop()
    return text[:end] + "".join(reversed(closing))


def _steps(written: str) -> Iterator[str | int]:
    if not written or len(written) > _LONGEST_PATH:
        raise ValueError("is empty" if not written else f"is longer than {_LONGEST_PATH} characters")
    at = 0
    while at < len(written):
        found = _STEP.match(written, at)
        if found is None:
            raise ValueError(f"cannot be read from {written[at : at + 20]!r} on")
        quoted, plain, index = found.groups()
        if quoted or plain:
            yield quoted or plain
        else:
            yield _EACH if index is None else int(index)
        at = found.end()


def _taken(found: Found, step: str | int) -> list[Found]:
    place, value = found
    if isinstance(step, str):
        return [Found(place, value[step])] if isinstance(value, dict) and step in value else []
    if not isinstance(value, list):
        return []
    if step == _EACH:
        return [Found((*place, at), each) for at, each in enumerate(value)]
    return [Found(place, value[step])] if step < len(value) else []
