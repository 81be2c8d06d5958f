"""The parts of a question as they are written on the command line, and how they are read."""

from __future__ import annotations

import math
from typing import Any, Generic, TypeVar

import click

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from manifests.index.frame_query import Between
from transfer.archive.positions import degrees_of_angle, degrees_of_position
from transfer.archive.typed_names import key, names_like

Read = TypeVar("Read")


class _Written(click.ParamType, Generic[Read]):  # type: ignore[type-arg]  # not generic before click 8.5
    """A text that `read` converts; its ValueError says what is wrong with the text."""

    def read(self, text: str) -> Read:
        raise NotImplementedError

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Read:
        """Convert the text, unless it is converted already."""
        if not isinstance(value, str):
            return value  # type: ignore[no-any-return]  # click converts a default, too
        try:
            return self.read(value)
        except ValueError as error:
            self.fail(f"{value!r}: {error}", param, ctx)


class Range(_Written[Between[float]]):
    """A range of numbers, `LEAST..MOST`; either end may be left open."""

    name = "range"

    def __init__(self, *, one: bool) -> None:
        self._one = one

    def read(self, text: str) -> Between[float]:
        """Return the range; a single number is a range where `one` is true."""
        least, dots, most = text.partition("..")
        if not dots and not self._one:
            raise ValueError(f"write {text}.. for that or more, ..{text} for that or less")
        between = Between(_number(least), _number(most if dots else least))
        if between == Between():
            raise ValueError("write a range as LEAST..MOST, LEAST.. or ..MOST")
        if between.least is not None and between.most is not None and between.least > between.most:
            raise ValueError("the first number is larger than the second")
        return between


def _number(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        number = float(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is not a number") from error
    if not math.isfinite(number):
        raise ValueError(f"{text!r} is not a number")
    return number


class WrittenType(_Written[FrameType]):
    """A type of frames, in any common spelling."""

    name = "type"

    def read(self, text: str) -> FrameType:
        """Return what the text means. Raises ValueError."""
        from manifests.frames.frame_types import frame_type_of

        kind = frame_type_of(text)
        if kind is None:
            raise ValueError(f"is none of {', '.join(FrameType)}")
        return kind


ANY = "any"


class WrittenFinding(_Written[str]):
    """A finding by its name as screens and lists show it, or `any`."""

    name = "finding"

    def read(self, text: str) -> str:
        """Return what the text means. Raises ValueError."""
        names = [ANY, *FindingKind]
        found = next((str(name) for name in names if key(name) == key(text)), None)
        if found is None:
            near = names_like(text, names)
            hint = f"is it {' or '.join(near)}? All of them" if near else "those that there are"
            raise ValueError(f"no such finding; {hint}: {', '.join(names)}")
        return found


class Position(_Written[tuple[float, float]]):
    """A position on the sky, in any form that astropy reads."""

    name = "position"

    def read(self, text: str) -> tuple[float, float]:
        """Return what the text means. Raises ValueError."""
        return degrees_of_position(text)


class Radius(_Written[float]):
    """An angle, in any form that astropy reads."""

    name = "angle"

    def read(self, text: str) -> float:
        """Return what the text means. Raises ValueError."""
        degrees = degrees_of_angle(text)
        if not 0 <= degrees <= 180:
            raise ValueError("a radius is from 0 to 180°")
        return degrees
