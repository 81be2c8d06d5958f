"""Text in place of a target's name that is not part of one: words for "no name", dates, exposures."""

from __future__ import annotations

import re

from manifests.frames.frame_types import frame_type_of
from manifests.frames.names.designations import find_designations
from manifests.frames.names.spelling import fold

# Common practice, gathered from memory; the words for a type of exposure ("Light", "Object") are none either.
_WORDS_FOR_NOTHING = """
unknown, unknown target, unknown object, unnamed, untitled, no name, nameless, none, null, nil, n/a, na, n.a.
not available, not given, not set, undefined, unspecified, unbekannt, inconnu, desconocido, ohne
no target, no object, target, target name, new target, object, default, snapshot, snap, single, single shot
capture, image, picture, frame, exposure, sequence, preview
"""
_NAMELESS = frozenset(fold(word) for word in _WORDS_FOR_NOTHING.replace("\n", ",").split(",") if word)
_INTRODUCED = re.compile(r"(?:[\s,;:–-]*(?:target|object|obj)(?:\s*name)?\s*[:=][\s,;:–-]*)+", re.IGNORECASE)

_DAY = r"(?:0[1-9]|[12][0-9]|3[01])"
_MONTH = r"(?:0[1-9]|1[0-2])"
_YEAR = r"(?:19|20)[0-9]{2}"
_CLOCK = r"(?:[T ][0-2][0-9][:.-]?[0-5][0-9](?:[:.-]?[0-5][0-9](?:\.[0-9]+)?)?Z?)?"
_DATE = rf"(?:{_YEAR}([-/. ]?){_MONTH}\1{_DAY}{_CLOCK}|{_DAY}([-/.]){_MONTH}\2{_YEAR})"
_EXPOSURE = (
    r"(?:[0-9]+\s?x\s?)?[0-9]+(?:\.[0-9]+)?(?:s|\s?secs?|\s?seconds?|min|\s?minutes?)(?:\s?x\s?[0-9]+)?"
)
_TRAILING = re.compile(rf"(?:^|[\s,;:([-]+)(?:{_DATE}|{_EXPOSURE})[)\]]?\s*$", re.IGNORECASE)


def names_nothing(text: str) -> bool:
    """Return whether a tidied text is a word that programs write for want of a name, or has no letter."""
    if fold(text) in _NAMELESS or not any(map(str.isalnum, text)):
        return True
    return not any(map(str.isdigit, text)) and frame_type_of(text) is not None


def trimmed(text: str) -> str:
    """Return a tidied name without "Target:" before it and without dates and exposures behind it."""
    introduced = _INTRODUCED.match(text)
    name = text[introduced.end() :] if introduced else text
    while (found := _TRAILING.search(name)) is not None and not _is_a_number(name, found.start()):
        name = name[: found.start()].rstrip(" ,;:([-")
    return name


def _is_a_number(name: str, start: int) -> bool:
    """Return whether what stands from `start` on belongs to a catalogue's designation ("NGC 300S")."""
    return any(one.end > start for one in find_designations(name))
