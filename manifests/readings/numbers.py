"""Numbers as logs write them: with a decimal comma, a typographic minus, the unit behind."""

from __future__ import annotations

import math
import re

# A unit behind a number has no digit, so that "2026-03-14" and "12:30" are no numbers.
_NUMBER = re.compile(
    r"([+\-−]?(?:[0-9]{1,400}(?:[.,][0-9]{0,400})?|[.,][0-9]{1,400})(?:[eE][+-]?[0-9]{1,3})?)[\s°%]{0,4}"
    r"(?:[^\W\d_][^\d:]{0,20})?"
)


def number_in(written: object) -> float | None:
    """Return the finite number that a value of a log says, or None.

    A comma is a decimal comma: no log of readings groups thousands. "−2,8 °C" is −2.8.
    """
    if isinstance(written, bool):
        return None
    if isinstance(written, str):
        return _number_of_text(written.strip())
    if isinstance(written, int | float):
        try:
            value = float(written)
        except OverflowError:
            return None
        return value if math.isfinite(value) else None
    return None


def _number_of_text(text: str) -> float | None:
    try:
        value = float(text) if "_" not in text else math.nan
    except ValueError:
        found = _NUMBER.fullmatch(text)
        if found is None:
            return None
        value = float(found[1].replace(",", ".").replace("−", "-"))
    return value if math.isfinite(value) else None
