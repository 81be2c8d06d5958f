"""Filters: one name for the spellings of a filter, and the width of its passband."""

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
    """A filter's one name, and whether this program or the user's table knows the filter."""

    canonical: str
    recognised: bool


# Spellings without case, spaces and punctuation; common practice, gathered from memory. A clear
# glass is not a luminance filter (it passes infrared), so the two stay apart.
_SPELLINGS: Mapping[str, str] = {
    "L": "l lum lumi luminance luminosity luminanz luminanza",
    "R": "r red rot rouge rojo rosso",
    "G": "g green grün gruen vert verde",
    "B": "b blue blau bleu azul blu",
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
    NOT_GIVEN: "filternotgiven unknown notknown unbekannt inconnu desconocido undefined undef unset notset",
    COLOUR_CAMERA: "colourcamera colorcamera",
}
_NAME_OF = {spelling: name for name, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_NAME_OF[""] = NO_FILTER  # "-", "--": punctuation alone

# Wavelengths of the lines in air, nm, rounded; from memory.
_LINES: Mapping[str, tuple[float, ...]] = {
    "Ha": (656.3,),
    "Hb": (486.1,),
    "OIII": (495.9, 500.7),
    "SII": (671.6, 672.4, 673.1),
    "NII": (654.8, 658.4),
}
_NEAR_A_LINE_NM = 1.5
_LINE = "halpha|ha|hbeta|hb|oiii|o3|sii|s2|nii|n2"
_SEVERAL_LINES = re.compile(rf"(?:{_LINE}){{2,}}")

# Capital B and R alone are an imager's blue and red; capital U, V and I alone are the photometric filters of
# Johnson, Cousins and Bessell (Bessell 1990, PASP 102, 1181). Filters of the Sloan system (Fukugita et al.
# 1996, AJ 111, 1748) are written in lower case, with a prime or with the system's name; only it has a z.
_SYSTEM = "bessell|bessel|johnsoncousins|johnson|cousins|photometric|phot"
_PHOTOMETRIC = re.compile(rf"(?:{_SYSTEM})([ubvri])(?:band)?|([ubvri])(?:{_SYSTEM})|([uvi])|([ri])c")
_SLOAN = re.compile(r"(?:sloan|sdss)([ugriz])p?(?:prime)?|([ugriz])(?:sloan|sdss|prime)|([ugriz])p|(z)s?")
_PRIMED = re.compile(r"\s*([ugriz])\s*['′’]\s*", re.IGNORECASE)
_LOWER_CASE = re.compile(r"\s*([ugriz])\s*")

# The numbers of a filter's name: its wavelength, its width, or (in "O3") a part of its name.
_NUMBER = re.compile(
    r"""(?<![a-z]) (?: o(?:xygen\s?)?-?3 | (?: s(?:ul(?:ph|f)ur\s?)? | n(?:itrogen\s?)? )-?2 )
        (?= [0-9]{1,2}(?:\.[0-9]+)?\s*nm | [^0-9] | $)
    | (?P<number>[0-9]+(?:\.[0-9]+)?) (?: \s*(?P<unit>nm|å|a|angstroms?)(?![a-z]) )?""",
    re.IGNORECASE | re.VERBOSE,
)
# Without a unit, a smaller number may count the slots of a wheel.
_NARROWEST_NM, _WIDEST_NM = 2.5, 100.0
_SAYS_NOTHING = re.compile(r"\b(?:filter|narrowband|nb|line|band|bandpass|fwhm)\b", re.IGNORECASE)
_GREEK = str.maketrans({"α": "alpha", "β": "beta", "Α": "alpha", "Β": "beta"})


class FilterNames:
    """Returns one name for the spellings of each filter.

    `additions` is the user's table (written → name) and wins; a row for one spelling stands for the
    other spellings of that filter. `known` are names already in use: an unknown filter that differs
    from one only by case or spaces becomes it, and of two new ones the first spelling stays.
    """

    def __init__(self, additions: Mapping[str, str] | None = None, known: Iterable[str] = ()) -> None:
        self._own = OwnNames(additions or {}, read_filter)
        self._spellings = Spellings(known)
        self._given: dict[tuple[str | None, bool], FilterName] = {}

    def name(self, written: str | None, *, colour: bool = False) -> FilterName:
        """Return the name of a filter as a header writes it; `colour` says the camera has a Bayer matrix.

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

    Widths ("Ha 3nm") and wavelengths ("Ha 6563") are kept together under the line's name; `whole` is
    then false.
    """
    if not text:
        return Reading(NOT_GIVEN, False, "the header names no filter")
    if name := _known(text):
        return Reading(name, name != NOT_GIVEN, "a common spelling")
    bare, numbers = _apart(text)
    for words in (bare, _SAYS_NOTHING.sub(" ", bare)):
        name = _known(words) if words.strip() else None
        if name and all(_explains(number, name, words) for number in numbers):
            return Reading(name, True, "its width or wavelength left out", whole=not numbers)
    return Reading(text, False, "not a known filter: kept as written")


def says_nothing(written: str) -> bool:
    """Return whether a header's word for the filter says only that it is not known ("Unknown", "?")."""
    return read_filter(tidy(written)).canonical == NOT_GIVEN


def filter_width_nm(written: str | None) -> float | None:
    """Return the width of the passband that a filter's written name gives, nm; None where it gives none.

    A number with a unit is a width unless it is too large to be one; without a unit only behind the
    name of a line ("Ha 7").
    """
    text = tidy(written)
    if not any(map(str.isdigit, text)):
        return None
    _, numbers = _apart(text)
    widths = [number.nm for number in numbers if number.unit and 0 < number.nm <= _WIDEST_NM]
    if not widths and read_filter(text).recognised:
        widths = [number.nm for number in numbers if _NARROWEST_NM <= number.nm <= _WIDEST_NM]
    return widths[0] if widths else None


@dataclass(frozen=True, slots=True)
class _Number:
    """A number in a filter's name, in nm; a number from 1000 on is in ångström."""

    digits: str
    unit: str

    @property
    def nm(self) -> float:
        value = float(self.digits)
        return value / 10 if self.unit[:1] in ("a", "å") or value >= 1000 else value


def _apart(text: str) -> tuple[str, list[_Number]]:
    """Return a name without its numbers, and the numbers."""
    found: list[_Number] = []

    def taken_out(match: re.Match[str]) -> str:
        if match["number"] is None:
            return match[0]
        found.append(_Number(match["number"], (match["unit"] or "").casefold()))
        return " "

    return _NUMBER.sub(taken_out, text), found


def _explains(number: _Number, name: str, words: str) -> bool:
    """Return whether a number can be the width or the wavelength of the filter of this name."""
    lines = [nm for line in name.split("-") for nm in _LINES.get(line, ())]
    if any(abs(number.nm - nm) <= _NEAR_A_LINE_NM for nm in lines):
        return True
    if number.unit:
        return not lines or number.nm <= _WIDEST_NM
    # Behind one letter a number is part of the name: S 3 is the line [S III], H2 a molecule.
    return bool(lines) and len(_key(words)) > 1 and float(number.digits) < _WIDEST_NM


def _known(text: str) -> str | None:
    if sloan := _PRIMED.fullmatch(text) or _LOWER_CASE.fullmatch(text):
        return f"Sloan {sloan[1].lower()}"
    key = _key(text)
    if not key and "?" in text:
        return NOT_GIVEN
    if name := _NAME_OF.get(fold(text)) or _NAME_OF.get(key):
        return name
    if system := _PHOTOMETRIC.fullmatch(key):
        return f"photometric {_only(system).upper()}"
    if system := _SLOAN.fullmatch(key):
        return f"Sloan {_only(system)}"
    return _lines_together(key)


def _lines_together(key: str) -> str | None:
    """Return the name of a filter that passes several lines: the lines, in one order."""
    if not _SEVERAL_LINES.fullmatch(key):
        return None
    passed = {_NAME_OF[line] for line in re.findall(_LINE, key)}
    return "-".join(line for line in _LINES if line in passed)


def _key(text: str) -> str:
    plain = text.translate(_GREEK).casefold()
    return "".join(character for character in plain if character.isalnum())


def _only(found: re.Match[str]) -> str:
    return next(letter for letter in found.groups() if letter)
