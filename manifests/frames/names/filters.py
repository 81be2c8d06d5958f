"""Filters: the many spellings of a filter become one name."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from manifests.frames.names.spelling import OwnNames, Reading, Spellings, fold, tidy

NO_FILTER = "no filter"
NOT_GIVEN = "filter not given"
COLOUR_CAMERA = "colour camera"


@dataclass(frozen=True, slots=True)
class FilterName:
    """A filter's one name, and whether it is a filter this program (or the user's table) knows."""

    canonical: str
    recognised: bool


# Spellings without case, spaces and punctuation; common practice, gathered from memory. A clear
# glass is not a luminance filter (it passes infrared), so the two stay apart.
_SPELLINGS: Mapping[str, str] = {
    "L": "l lum lumi luminance luminosity",
    "R": "r red",
    "G": "g green",
    "B": "b blue blu",
    "Ha": "h ha halpha hydrogen hydrogenalpha",
    "Hb": "hb hbeta hydrogenbeta",
    "OIII": "o o3 oiii oxygen oxygen3 oxygeniii",
    "SII": "s s2 sii sulfur sulfur2 sulfurii sulphur sulphur2 sulphurii",
    "NII": "n2 nii nitrogen nitrogen2 nitrogenii",
    "clear": "c clear clr clearglass",
    "UV-IR cut": "uvir iruv uvircut iruvcut uvirblock iruvblock",
    "dual narrowband": "dualnarrowband duonarrowband dualband duoband dualnb duonb",
    "tri narrowband": "trinarrowband triplenarrowband triband tripleband trinb",
    "quad narrowband": "quadnarrowband quadband quadnb",
    NO_FILTER: "none nofilter empty open unfiltered n/a null nil",
    NOT_GIVEN: "filternotgiven",
    COLOUR_CAMERA: "colourcamera colorcamera",
}
_NAME_OF = {spelling: name for name, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_NAME_OF[""] = NO_FILTER  # "-", "--": written, but with nothing in it

_LINES = ("Ha", "Hb", "OIII", "SII", "NII")
_LINE = "halpha|ha|hbeta|hb|oiii|o3|sii|s2|nii|n2"
_ONE_LINE = re.compile(rf"(?P<line>{_LINE})[0-9]{{1,2}}")
_SEVERAL_LINES = re.compile(rf"(?:{_LINE}){{2,}}")

# Bare B and R are the imager's blue and red; bare U, V and I can only be the photometric ones of
# Johnson, Cousins and Bessell (Bessell 1990, PASP 102, 1181). The Sloan system (Fukugita et al.
# 1996, AJ 111, 1748) is known by its prime or its name, and by z, which no other has.
_SYSTEM = "bessell|bessel|johnsoncousins|johnson|cousins|photometric|phot"
_PHOTOMETRIC = re.compile(rf"(?:{_SYSTEM})([ubvri])(?:band)?|([ubvri])(?:{_SYSTEM})|([uvi])|([ri])c")
_SLOAN = re.compile(r"(?:sloan|sdss)([ugriz])p?(?:prime)?|([ugriz])(?:sloan|sdss|prime)|([ugriz])p|(z)s?")
_PRIMED = re.compile(r"\s*([ugriz])\s*['′’]\s*", re.IGNORECASE)

_WIDTH = re.compile(r"[0-9]+(?:\.[0-9]+)?\s*(?:nm|å|angstroms?)(?![a-z])", re.IGNORECASE)
_SAYS_NOTHING = re.compile(r"\b(?:filter|narrowband|nb|line|band|bandpass|fwhm)\b", re.IGNORECASE)
_GREEK = str.maketrans({"α": "alpha", "β": "beta", "Α": "alpha", "Β": "beta"})


class FilterNames:
    """Gives each filter one name.

    `additions` is the user's table (written → name) and wins; a row for one spelling stands for the
    other spellings of that filter. `known` are names already in use: an unknown filter that differs
    from one only by case or spaces becomes it, and of two new ones the first spelling stays.
    """

    def __init__(self, additions: Mapping[str, str] | None = None, known: Iterable[str] = ()) -> None:
        self._own = OwnNames(additions or {}, read_filter)
        self._spellings = Spellings(known)
        self._given: dict[tuple[str | None, bool], FilterName] = {}

    def name(self, written: str | None, *, colour: bool = False) -> FilterName:
        """Give the name of a filter as a header writes it; `colour` says the camera has a Bayer matrix.

        Without a filter a colour camera's frame is called "colour camera", any other "no filter"
        where the header says so and "filter not given" where it says nothing.
        """
        if (written, colour) not in self._given:
            self._given[written, colour] = self._name(tidy(written), colour)
        return self._given[written, colour]

    def _name(self, text: str, colour: bool) -> FilterName:
        if (own := self._own.for_written(text)) is not None:
            return FilterName(own, recognised=True)
        reading = read_filter(text)
        if colour and reading.canonical in (NO_FILTER, NOT_GIVEN):
            reading = Reading(COLOUR_CAMERA, True, "")
        if (own := self._own.for_meant(reading.canonical)) is not None:
            return FilterName(own, recognised=True)
        if reading.recognised:
            return FilterName(reading.canonical, recognised=True)
        return FilterName(self._spellings.first(reading.canonical), recognised=False)


def read_filter(text: str) -> Reading:
    """Read one tidied filter name, without any table of the user's.

    Bandwidths ("Ha 3nm") are kept together under the line's name; `whole` is then false.
    """
    if not text:
        return Reading(NOT_GIVEN, False, "the header names no filter")
    if name := _known(text):
        return Reading(name, name != NOT_GIVEN, "a common spelling")
    bare = _SAYS_NOTHING.sub(" ", _WIDTH.sub(" ", text))
    if bare.strip() and (name := _known(bare)):
        return Reading(name, True, "its bandwidth left out", whole=not _WIDTH.search(text))
    if narrow := _ONE_LINE.fullmatch(_key(bare)):
        return Reading(_NAME_OF[narrow["line"]], True, "its bandwidth left out", whole=False)
    return Reading(text, False, "not a known filter: kept as written")


def _known(text: str) -> str | None:
    if primed := _PRIMED.fullmatch(text):
        return f"Sloan {primed[1].lower()}"
    key = _key(text)
    if name := _NAME_OF.get(fold(text)) or _NAME_OF.get(key):
        return name
    if system := _PHOTOMETRIC.fullmatch(key):
        return f"photometric {_only(system).upper()}"
    if system := _SLOAN.fullmatch(key):
        return f"Sloan {_only(system)}"
    return _lines_together(key)


def _lines_together(key: str) -> str | None:
    """Name a filter that passes several lines by them, in one order, whatever order was written."""
    if not _SEVERAL_LINES.fullmatch(key):
        return None
    passed = {_NAME_OF[line] for line in re.findall(_LINE, key)}
    return "-".join(line for line in _LINES if line in passed)


def _key(text: str) -> str:
    plain = text.translate(_GREEK).casefold()
    return "".join(character for character in plain if character.isalnum())


def _only(found: re.Match[str]) -> str:
    return next(letter for letter in found.groups() if letter)
