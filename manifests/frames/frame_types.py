"""A header's word for the type of an exposure: many spellings, one FrameType."""

from __future__ import annotations

import re

from manifests.frames.frame import FrameType

# No standard fixes these words. "object" and "zero" are the oldest in use; the rest is common practice.
_SPELLINGS = {
    FrameType.LIGHT: ("light", "lights", "object", "science", "sci", "target"),
    FrameType.DARK: ("dark", "darks"),
    FrameType.BIAS: ("bias", "biases", "zero", "zeros", "offset", "offsets"),
    FrameType.FLAT: (
        "flat",
        "flats",
        "skyflat",
        "domeflat",
        "twilightflat",
        "panelflat",
        "flatsky",
        "flatdome",
    ),
    FrameType.DARK_FLAT: ("darkflat", "darkflats", "flatdark", "flatdarks", "darkforflat", "darkforflats"),
}
_TYPES = {spelling: kind for kind, spellings in _SPELLINGS.items() for spelling in spellings}

# Words that say nothing about the type. A master is of the type that it was made from.
_FILLERS = re.compile(r"(frames?|images?|master|field|exposures?|subs?)")


def frame_type_of(word: str) -> FrameType | None:
    """Give the type that a header's word means; `None` where it means none of them.

    Case, spaces, hyphens and the like make no difference.
    """
    letters = re.sub(r"[^a-z]", "", word.casefold())
    return _TYPES.get(letters) or _TYPES.get(_FILLERS.sub("", letters))
