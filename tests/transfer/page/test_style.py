"""The colours of both views: what is written or drawn can be told from what is behind it.

Contrast as WCAG 2.2 of the W3C defines it (relative luminance; success criteria 1.4.3 and 1.4.11; the numbers
from memory): 4.5 : 1 for text, 3 : 1 for what is drawn. axe-core looks at the text of pages, not of drawings.
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

TEXT = ("ink", "faint", "link", "warn", "good", "poor", "lost")
SHEETS = ("paper", "sheet", "mark")
SKY = ("day", "dusk", "dark")
FILTERS = (
    *("L", "R", "G", "B", "Ha", "OIII", "SII", "Hb", "NII", "none"),
    *(f"other{number}" for number in range(4)),
)


def colours(view: str) -> dict[str, str]:
    """Return the colours of a view by their names in the style."""
    style = (files("transfer.page") / "assets" / "page.css").read_text(encoding="utf-8")
    rules = dict(re.findall(r"^(:root\S*) \{(.*?)\}", style, re.DOTALL | re.MULTILINE))
    day = dict(re.findall(r"--(\w+): (#\w+);", rules[":root"]))
    night = dict(re.findall(r"--(\w+): (#\w+);", rules[':root[data-view="night"]']))
    return day if view == "day" else day | night


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * one for one in colour[1:])
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    """Black on white, and the lightest grey that passes on white (from memory)."""
    assert contrast("#000", "#fff") == pytest.approx(21)
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("view", ["day", "night"])
def test_text_stands_out(view: str) -> None:
    known = colours(view)
    on = [(text, sheet) for text in TEXT for sheet in SHEETS]
    on += [(text, sky) for text in ("ink", "faint") for sky in SKY]
    assert [(pair, found) for pair in on if (found := contrast(*(known[one] for one in pair))) < 4.5] == []


@pytest.mark.parametrize("view", ["day", "night"])
def test_what_is_drawn_stands_out(view: str) -> None:
    known = colours(view)
    on = [(name, behind) for name in FILTERS for behind in ("sheet", "mark", *SKY)]
    assert [(pair, found) for pair in on if (found := contrast(*(known[one] for one in pair))) < 3] == []


def test_the_night_view_has_no_colour_but_red() -> None:
    night, day = colours("night"), colours("day")
    for name in day:
        assert luminance(night[name]) <= luminance("#f00"), name
        assert night[name] in ("#000", "#f00") or night[name].endswith("0000"), name
