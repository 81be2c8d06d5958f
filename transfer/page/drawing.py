"""Drawings as plain records, which a template turns into SVG: nothing here writes markup."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Area(NamedTuple):
    """A rectangle; with a `title`, which a pointer shows."""

    x: float
    y: float
    width: float
    height: float
    look: str
    title: str = ""


class Line(NamedTuple):
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    look: str


class Course(NamedTuple):
    """A path in SVG's own letters, made by `course` and `marks` from numbers alone."""

    steps: str
    look: str


class Label(NamedTuple):
    """A text whose `anchor` is at x: start, middle or end."""

    x: float
    y: float
    text: str
    look: str = "label"
    anchor: str = "start"


Shape = Area | Line | Course | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing, `label` what it shows in a sentence for those who cannot see it."""

    width: float
    height: float
    label: str
    shapes: tuple[Shape, ...]


class Scale(NamedTuple):
    """Where a value lies on an axis that goes from `low` at `begins` to `high` at `ends`."""

    low: float
    high: float
    begins: float
    ends: float

    def __call__(self, value: float) -> float:
        """Return the place of a value; one outside is put on the nearer end."""
        span = self.high - self.low
        part = (value - self.low) / span if span else 0.5
        return round(self.begins + min(max(part, 0.0), 1.0) * (self.ends - self.begins), 1)


def course(points: list[tuple[float, float]]) -> str:
    """Return a line through points."""
    return "".join(f"{'L' if number else 'M'}{x:g} {y:g}" for number, (x, y) in enumerate(points))


def marks(points: list[tuple[float, float]]) -> str:
    """Return a dot at each point: a line of no length, whose round ends are drawn."""
    return "".join(f"M{x:g} {y:g}h0" for x, y in points)


def cut(text: str, most: int) -> str:
    """Return a text with no more characters than there is room for."""
    return text if len(text) <= most else f"{text[: most - 1]}…"
