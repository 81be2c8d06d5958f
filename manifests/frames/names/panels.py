"""Panels of a mosaic, recognised in a target's name."""

from __future__ import annotations

import re
from dataclasses import dataclass

_WORD = r"(?<![a-z])(?:mosaic[\s-]*)?(?:panel|pane|pnl|tile)(?![a-z])"
_NUMBER = r"[0-9]{1,3}(?:\s*[-x,]\s*[0-9]{1,3})?"
_PLACE = r"[ns][ew]|[a-z]"
_OF = r"(?:\s*(?:/|of)\s*[0-9]{1,3})?"
_GAP = r"[\s,;:(\[–-]*"

_AT_THE_END = re.compile(
    rf"(?P<base>.+?){_GAP}{_WORD}[\s#.:-]*(?P<panel>{_NUMBER}|{_PLACE}){_OF}[\s)\]]*", re.IGNORECASE
)
_OF_NOTHING = re.compile(rf"{_WORD}[\s#.:-]*(?P<panel>{_NUMBER}){_OF}[\s)\]]*", re.IGNORECASE)
_IN_FRONT = re.compile(rf"{_WORD}[\s#.:-]*(?P<panel>{_NUMBER}){_OF}[\s,;:–-]+(?P<base>.+)", re.IGNORECASE)
_SHORT = re.compile(r"(?P<base>.*\S)[\s(-]+p[\s.#-]?(?P<panel>[0-9]{1,3})\)?", re.IGNORECASE)
_GRID = re.compile(
    rf"(?P<base>.*\S){_GAP}(?<![a-z])r(?:ow)?\s*(?P<row>[0-9]{{1,2}})[\s,-]*c(?:ol|olumn)?\s*(?P<column>[0-9]{{1,2}})[)\]]?",
    re.IGNORECASE,
)
_ONLY_NUMBERS = re.compile(r"(?P<base>.*\S)\s+\(?(?P<panel>[0-9]{1,3})\s*(?:/|of)\s*(?P<total>[0-9]{1,3})\)?")


@dataclass(frozen=True, slots=True)
class Panel:
    """A name taken apart: `base` is the target, `panel` the panel in its one style ("2", "1-3", "NE").

    `base` is empty where a panel of nothing is named ("Panel 1 of 4"). `said` is false where only
    numbers or a P say so ("2/4", "P2"): a panel behind a target that is known, and behind any other
    perhaps a part of its name (HAT-P-32 is a star).
    """

    base: str
    panel: str
    said: bool = True


def split_panel(name: str) -> Panel | None:
    """Take a tidied name apart into target and panel; None where it names no panel.

    "M31 Panel 2", "M 31 P2", "M31-panel-02", "Panel 2 of 4 - M31", "M31 R1C2", "M31 2/4". How many
    panels there are is left out: the mosaic stays one when a panel is added.
    """
    if found := _OF_NOTHING.fullmatch(name):
        return Panel("", _one_style(found["panel"]))
    if found := _AT_THE_END.fullmatch(name) or _IN_FRONT.fullmatch(name):
        return _panel(found, _one_style(found["panel"]))
    if found := _GRID.fullmatch(name):
        return _panel(found, f"{int(found['row'])}-{int(found['column'])}")
    if found := _SHORT.fullmatch(name):
        return _panel(found, _one_style(found["panel"]), said=False)
    found = _ONLY_NUMBERS.fullmatch(name)
    if found and 1 <= int(found["panel"]) <= int(found["total"]):
        return _panel(found, str(int(found["panel"])), said=False)
    return None


def _panel(found: re.Match[str], panel: str, *, said: bool = True) -> Panel | None:
    base = found["base"].strip(" ,;:([–-")
    return Panel(base, panel, said) if base else None


def _one_style(panel: str) -> str:
    numbers = re.findall(r"[0-9]+", panel)
    return "-".join(str(int(number)) for number in numbers) or panel.upper()
