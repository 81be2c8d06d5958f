"""Catalogue designations: their spellings, their one style, and how far each catalogue counts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Numbered:
    """A catalogue that numbers its objects 1…`last`.

    `prefix` is the one style (with the space or hyphen that belongs to it), `spellings` are the
    words in use for it, `letters` how a component's letter is written ("NGC 3690B", "Ced 55a").
    """

    prefix: str
    spellings: str
    last: int
    letters: str = ""


# The ranges are those of the catalogues named; put down from memory where no test in tests/outside
# compares them. Abell's planetary nebulae (1966) and his clusters of galaxies (1958, 1989) share
# the numbers to 86: what is written "Abell 21" stays "Abell 21", and "ACO 21" can only be a cluster.
NUMBERED: tuple[Numbered, ...] = (
    Numbered("M ", "m|messier", 110),  # Messier 1781, with the later additions
    Numbered("NGC ", "ngc|n.g.c.", 7840, "upper"),  # Dreyer 1888
    Numbered("IC ", "ic|i.c.|index catalogue", 5386, "upper"),  # Dreyer 1895, 1908
    Numbered("C ", "c|caldwell", 109),  # Moore 1995
    Numbered("Sh2-", "sharpless", 313),  # Sharpless 1959; its other spellings are below
    Numbered("B ", "b|barnard", 370, "lower"),  # Barnard 1927
    Numbered("vdB ", "vdb|van den bergh", 158),  # van den Bergh 1966
    Numbered("LDN ", "ldn|lynds dark nebula", 1802),  # Lynds 1962
    Numbered("LBN ", "lbn|lynds bright nebula", 1125),  # Lynds 1965
    Numbered("Ced ", "ced|cederblad", 215, "lower"),  # Cederblad 1946
    Numbered("RCW ", "rcw", 182, "lower"),  # Rodgers, Campbell & Whiteoak 1960
    Numbered("Gum ", "gum", 85, "lower"),  # Gum 1955
    Numbered("Simeis ", "simeis", 306),  # Gaze & Shajn 1955
    Numbered("DWB ", "dwb", 193),  # Dickel, Wendker & Bieritz 1969
    Numbered("CTB ", "ctb", 110, "upper"),  # Wilson & Bolton 1960
    Numbered("WR ", "wr", 158, "lower"),  # van der Hucht 2001
    Numbered("Abell ", "abell|pn a66|pna", 4076),  # Abell 1966; Abell, Corwin & Olowin 1989
    Numbered("ACO ", "aco", 4076),  # Abell, Corwin & Olowin 1989
    Numbered("Arp ", "arp", 338),  # Arp 1966
    Numbered("HCG ", "hcg|hickson|hickson compact group", 100),  # Hickson 1982
    Numbered("Mrk ", "mrk|mkn|mkr|markarian", 1515),  # Markarian and others 1967–1981
    Numbered("Mel ", "mel|melotte", 245),  # Melotte 1915
    Numbered("Cr ", "cr|col|collinder", 471),  # Collinder 1931
    Numbered("Tr ", "tr|trumpler", 37),  # Trumpler 1930
    Numbered("Stock ", "stock", 24),  # Stock 1956
    Numbered("Berkeley ", "be|berk|berkeley", 104),  # Setteducati & Weaver 1962
    Numbered("Harvard ", "harvard", 21),  # Shapley 1930
    Numbered("Pal ", "pal|palomar", 15),  # Abell 1955
    Numbered("UGC ", "ugc", 12921),  # Nilson 1973
    Numbered("UGCA ", "ugca", 444),  # Nilson 1974
    Numbered("MWSC ", "mwsc", 9999),  # Kharchenko et al. 2013
    Numbered("PGC ", "pgc|leda", 9_999_999),  # Paturel et al. 1989 and its successors
)

# A number that goes on ("M 1-92" is Minkowski's, "NGC 6992/5" are two, "C/2023 A3" is a comet) is
# not a catalogue's number.
_END = r"(?![\w]|[-+./][0-9])"
_START = r"(?<!\w)"


@dataclass(frozen=True, slots=True)
class Designation:
    """One object of one catalogue: `str()` returns it in the one style, such as "Sh2-155".

    `catalogue` is the prefix without its space or hyphen; `number` may have parts ("137-001").
    """

    catalogue: str
    number: str
    prefix: str
    letter: str = ""

    def __str__(self) -> str:
        return f"{self.prefix}{self.number}{self.letter}"


@dataclass(frozen=True, slots=True)
class Found:
    """A designation, or a number beyond its catalogue's `last`, and where in the text it stands."""

    designation: Designation
    start: int
    end: int
    last: int | None

    @property
    def beyond(self) -> bool:
        """Whether the catalogue has no such number."""
        return self.last is not None and not 1 <= int(self.designation.number) <= self.last


def find_designations(text: str) -> list[Found]:
    """Return every designation in a tidied name, from left to right, numbers beyond a range included."""
    return list(_find(text))


def read_designation(text: str) -> Designation | None:
    """Return the designation that the whole of a tidied text is, or None."""
    found = next(_find(text), None)
    if found is None or found.beyond or (found.start, found.end) != (0, len(text)):
        return None
    return found.designation


def _find(text: str) -> Iterator[Found]:
    at = 0
    while match := _ANY.search(text, at):
        yield _found(match)
        at = match.end()


def _found(match: re.Match[str]) -> Found:
    number, last, letter = match["number"], None, ""
    if number is None:
        prefix, number = _in_parts(match)
    else:
        catalogue = _BY_SPELLING[_word(match["word"])] if match["word"] else _SHARPLESS
        prefix, last = catalogue.prefix, catalogue.last
        if catalogue is _CLUSTERS and _LAST_PLANETARY < int(number) <= _CLUSTERS.last:
            prefix = "Abell "
        number, letter = str(int(number)), _letter(catalogue, match["letter"])
    designation = Designation(prefix.rstrip(" -+"), number, prefix, letter)
    return Found(designation, match.start(), match.end(), last)


def _letter(catalogue: Numbered, letter: str | None) -> str:
    if not letter:
        return ""
    return letter.upper() if catalogue.letters == "upper" else letter.lower()


def _in_parts(match: re.Match[str]) -> tuple[str, str]:
    """Return prefix and number of the catalogues whose numbers have parts."""
    if match["eso"]:
        return "ESO ", f"{int(match['eso']):03}-{int(match['eso_number']):03}"
    if match["mcg"]:
        zone, field, number = match["mcg"], int(match["mcg_field"]), int(match["mcg_number"])
        return "MCG ", f"{zone[0]}{int(zone[1:]):02}-{field:02}-{number:03}"
    if match["pk"]:
        latitude = match["pk_latitude"]
        return "PK ", f"{int(match['pk']):03}{latitude[0]}{int(latitude[1:]):02}.{int(match['pk_number'])}"
    longitude, latitude = match["png"], match["png_latitude"]
    return "PN G", f"{float(longitude):05.1f}{latitude[0]}{float(latitude[1:]):04.1f}"


def _word(spelling: str) -> str:
    return re.sub(r"[\s.]+", " ", spelling.casefold()).strip()


def _spelling_pattern(spelling: str) -> str:
    return re.escape(spelling).replace(r"\ ", r"\s*")


def _pattern_for(letters: str) -> str:
    """Return the pattern of all catalogues that take this kind of letter after the number."""
    words = [w for c in NUMBERED if bool(c.letters) == bool(letters) for w in c.spellings.split("|")]
    alternatives = "|".join(_spelling_pattern(word) for word in sorted(words, key=len, reverse=True))
    return rf"(?:{alternatives})(?=[\s.-]*[0-9]+{letters}{_END})"


_BY_SPELLING = {_word(word): c for c in NUMBERED for word in c.spellings.split("|")}
_BY_SPELLING |= {word.replace(" ", ""): catalogue for word, catalogue in _BY_SPELLING.items()}
_CLUSTERS = next(catalogue for catalogue in NUMBERED if catalogue.prefix == "ACO ")
_LAST_PLANETARY = 86
_SHARPLESS = next(catalogue for catalogue in NUMBERED if catalogue.prefix == "Sh2-")

_ANY = re.compile(
    rf"""{_START}(?:
      (?: (?P<word>{_pattern_for("")}|{_pattern_for("[a-z]?")})[\s.-]*
        | sh(?:arpless)?[\s-]*2[\s-]+ | sh-?2(?=[0-9]{{1,3}}{_END}) | sh[\s-]+(?=[0-9]{{2,3}}{_END})
      )(?P<number>[0-9]{{1,9}})(?P<letter>[a-z])?
    | eso[\s-]*(?P<eso>[0-9]{{1,3}})[\s-]+g?(?P<eso_number>[0-9]{{1,3}})
    | mcg\s*(?P<mcg>[+-][0-9]{{1,2}})-(?P<mcg_field>[0-9]{{1,2}})-(?P<mcg_number>[0-9]{{1,3}})
    | pk\s*(?P<pk>[0-9]{{1,3}})\s*(?P<pk_latitude>[+-][0-9]{{1,2}})[\s.](?P<pk_number>[0-9]{{1,2}})
    | pn\s*g\s*(?P<png>[0-9]{{1,3}}\.[0-9])\s*(?P<png_latitude>[+-][0-9]{{1,2}}\.[0-9])
    ){_END}""",
    re.IGNORECASE | re.VERBOSE,
)
