"""Targets: the many spellings of a target become one name, and it is said how."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from manifests.frames.names.catalogues import Catalogue, CatalogueObject, common_key
from manifests.frames.names.designations import Designation, Found, find_designations
from manifests.frames.names.filters import read_filter
from manifests.frames.names.panels import Panel, split_panel
from manifests.frames.names.spelling import OwnNames, Reading, Spellings, fold, tidy

# Words that say what kind of thing a catalogue's object is, or through what it was taken, and so
# don't make another target of it.
_KINDS = (
    "galaxy nebula neb cluster open globular planetary supernova remnant snr emission reflection dark group"
)
_PLURALS_AND_SMALL_WORDS = "galaxies nebulae clusters of the in"
_BANDS = "rgb lrgb hargb sho hoo hso narrowband broadband nb filter"
_ADDS_NOTHING = frozenset(f"{_KINDS} {_PLURALS_AND_SMALL_WORDS} {_BANDS}".split())

_WORDS = re.compile(r"[^\s,;:()\[\]&+/–-]+")


@dataclass(frozen=True, slots=True)
class TargetName:
    """A target's one name, whether it is a known object, and `how` it was arrived at (a phrase).

    `canonical` is None where nothing was written.
    """

    canonical: str | None
    recognised: bool
    how: str


class TargetNames:
    """Gives each target one name.

    `additions` is the user's table (written → name) and wins; a row for one spelling or designation
    stands for all that are read as the same object. With a `catalogue`, designations and common
    names of one object are one target: its Messier number, else its NGC, IC, Sharpless or Caldwell
    number, else another. `known` are the names in use: an unknown target that differs from one of
    them only by case or spaces becomes it, and of two new ones the first spelling stays.
    """

    def __init__(
        self,
        additions: Mapping[str, str] | None = None,
        catalogue: Catalogue | None = None,
        known: Iterable[str] = (),
    ) -> None:
        self._catalogue = catalogue
        no_own = OwnNames({}, _as_written)
        self._own = OwnNames(additions or {}, lambda text: self._read(text, no_own))
        self._spellings = Spellings(known)
        self._given: dict[str | None, TargetName] = {}

    def name(self, written: str | None) -> TargetName:
        """Give the name of a target as a header (or a person) writes it."""
        if written not in self._given:
            self._given[written] = self._name(tidy(written))
        return self._given[written]

    def _name(self, text: str) -> TargetName:
        if not text:
            return TargetName(None, recognised=False, how="no name is written")
        reading = self._read(text, self._own)
        canonical = tidy(reading.canonical)  # what was put together may be too long again
        if reading.recognised:
            return TargetName(canonical, recognised=True, how=reading.how)
        return TargetName(self._spellings.first(canonical), recognised=False, how=reading.how)

    def _read(self, text: str, own: OwnNames) -> Reading:
        if (name := own.for_written(text)) is not None:
            return Reading(name, True, "the user's table")
        panel = split_panel(text)
        if panel is None:
            return self._read_target(text, own)
        base = self._read_target(panel.base, own)
        if not (panel.said or base.recognised):
            return self._read_target(text, own)
        return _in_own_words(_with_panel(base, panel), own)

    def _read_target(self, text: str, own: OwnNames) -> Reading:
        if (name := own.for_written(text)) is not None:
            return Reading(name, True, "the user's table")
        return _in_own_words(self._read_object(text), own)

    def _read_object(self, text: str) -> Reading:
        found = find_designations(text)
        inside = [one for one in found if not one.beyond]
        if not inside:
            return self._by_common_name(text) or _kept(text, found)
        return self._by_designations(text, inside)

    def _by_common_name(self, text: str) -> Reading | None:
        objects = self._catalogue.named(text) if self._catalogue else ()
        if len(objects) == 1:
            return Reading(objects[0].name, True, f"a common name of {objects[0].name}")
        if objects:
            several = " and ".join(one.name for one in objects)
            return Reading(text, False, f"a common name of {several}: kept as written")
        return None

    def _by_designations(self, text: str, found: list[Found]) -> Reading:
        objects = {str(one.designation): self._object(one.designation) for one in found}
        names = list(dict.fromkeys(_name_of(designation, of) for designation, of in objects.items()))
        rest = _without(text, found)
        own_words = {word for of in objects.values() if of for word in _words_of(of)}
        extra = [word for word in _words(rest) if not _adds_nothing(word, own_words)]
        if extra and not _is_filter(" ".join(extra)):
            return _kept_apart(text, found[0], names[0], extra)
        name = " + ".join(sorted(names, key=_in_order))
        dropped = " ".join(_words(rest))
        return Reading(name, True, _how(found, name, dropped), whole=not dropped)

    def _object(self, designation: Designation) -> CatalogueObject | None:
        return self._catalogue.identify(designation) if self._catalogue else None


def _as_written(text: str) -> Reading:
    return Reading(text, False, "kept as written")


def _in_own_words(reading: Reading, own: OwnNames) -> Reading:
    name = own.for_meant(reading.canonical)
    if name is None:
        return reading
    return Reading(name, True, f"the user's table, for {reading.canonical}", reading.whole)


def _with_panel(base: Reading, panel: Panel) -> Reading:
    return Reading(
        f"{base.canonical} panel {panel.panel}",
        base.recognised,
        f"{base.how}; panel {panel.panel} of a mosaic stays apart",
        base.whole,
    )


def _name_of(designation: str, of: CatalogueObject | None) -> str:
    return of.name if of else designation


def _words(text: str) -> list[str]:
    found: list[str] = _WORDS.findall(text)
    return [word for word in found if fold(word) != "and" and any(map(str.isalnum, word))]


def _words_of(of: CatalogueObject) -> list[str]:
    return [common_key(word) for name in of.common_names for word in _words(name)]


def _adds_nothing(word: str, own_words: set[str]) -> bool:
    return fold(word) in _ADDS_NOTHING or common_key(word) in own_words or _is_filter(word)


def _is_filter(words: str) -> bool:
    # A single letter may be a filter, a component ("NGC 3690 B") or a panel.
    return len(fold(words)) > 1 and read_filter(words).recognised


def _without(text: str, found: list[Found]) -> str:
    for one in reversed(found):
        text = f"{text[: one.start]} {text[one.end :]}"
    return text


def _in_order(name: str) -> tuple[str, int, str]:
    number = re.search(r"[0-9]+", name)
    return name[: number.start()] if number else name, int(number[0]) if number else 0, name


def _how(found: list[Found], name: str, dropped: str) -> str:
    written = " and ".join(dict.fromkeys(str(one.designation) for one in found))
    how = "a catalogue's designation" if written in name else f"{written} is {name}"
    if len(found) > 1 and " + " in name:
        how = f"several objects in one frame: {name}"
    return f'{how}; the words "{dropped}" left out' if dropped else how


def _kept(text: str, found: list[Found]) -> Reading:
    if found:
        beyond = found[0]
        return Reading(
            text, False, f"{beyond.designation} is beyond the catalogue's {beyond.last}: kept as written"
        )
    return Reading(text, False, "not a known designation: kept as written")


def _kept_apart(text: str, first: Found, name: str, extra: list[str]) -> Reading:
    """Keep a target apart whose name has more to it than an object, its start in the one style."""
    words = " ".join(extra)
    rest = text[first.end :]
    kept = f"{name}{rest}" if first.start == 0 else text
    return Reading(kept, False, f'kept apart from {name}: the words "{words}" may mean something else')
