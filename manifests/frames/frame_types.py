"""A header's word for the type of an exposure: many spellings, one FrameType."""

from __future__ import annotations

import re

from manifests.frames.frame import FrameType
from manifests.frames.names.filters import read_filter
from manifests.frames.names.spelling import tidy

# No standard fixes these words. "object" and "zero" are the oldest in use; the rest is common practice.
_SPELLINGS = {
    FrameType.LIGHT: "light lights object science sci target",
    FrameType.DARK: "dark darks",
    FrameType.BIAS: "bias biases zero zeros offset offsets biaszero zerobias biasoffset offsetbias",
    FrameType.FLAT: "flat flats",
    FrameType.DARK_FLAT: "darkflat darkflats flatdark flatdarks darkforflat darkforflats",
}
_LIT_BY = "sky twilight dawn dusk morning evening dome lamp panel"
_TYPES = {spelling: kind for kind, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_TYPES |= {spelling: FrameType.FLAT for lit in _LIT_BY.split() for spelling in (f"{lit}flat", f"flat{lit}")}
_TYPES |= {f"{lit}flats": FrameType.FLAT for lit in _LIT_BY.split()}

# Words that say how a frame was made; a master is of the type that it was made from. Common practice, from
# memory.
_STAGE = re.compile(
    r"master|super|stack(?:ed)?|mean|median|averaged?|integrat(?:ed|ion)|combined|coadd(?:ed)?"
    r"|calibrated|reduced"
)
_FILLERS = re.compile(rf"frames?|images?|field|exposures?|subs?|{_STAGE.pattern}")
_FIRST_WORDS = re.compile(r"(?P<type>.*?[^\W\d_])[\s,;:/-]+(?P<rest>\S.*)")


def frame_type_of(word: str) -> FrameType | None:
    """Return the type that a header's word means; `None` where it means none of them.

    Case, spaces, hyphens and the like make no difference, nor does a filter behind the type
    ("Light Ha").
    """
    return _type_of(word) or _before_a_filter(word)


def stage_words_of(word: str) -> str:
    """Return the words in a header's word for the type that say how the frame was made ("master").

    Empty where the rest of it means no type, unless there is no rest.
    """
    letters = _letters(word)
    of_a_type = frame_type_of(word) is not None or not _FILLERS.sub("", letters)
    return " ".join(_STAGE.findall(letters)) if of_a_type else ""


def _letters(word: str) -> str:
    return re.sub(r"[^a-z]", "", word.casefold())


def _type_of(word: str) -> FrameType | None:
    return _TYPES.get(_FILLERS.sub("", _letters(word)))


def _before_a_filter(word: str) -> FrameType | None:
    text = tidy(word)
    at = 0
    while match := _FIRST_WORDS.match(text, at):
        kind = _type_of(text[: match.end("type")])
        if kind is not None and read_filter(match["rest"]).recognised:
            return kind
        at = match.end("type")
    return None
