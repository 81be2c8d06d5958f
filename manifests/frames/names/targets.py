"""Targets: one name for the spellings of a target, with the way in which it was found."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from manifests.frames.names.catalogues import Catalogue
from manifests.frames.names.comets import comet_name
from manifests.frames.names.designations import Found, find_designations
from manifests.frames.names.filters import read_filter
from manifests.frames.names.panels import Panel, split_panel
from manifests.frames.names.sky_objects import SkyObject, SkyObjects
from manifests.frames.names.spelling import OwnNames, Reading, Spellings, common_key, fold, tidy
from manifests.frames.names.trimming import names_nothing, trimmed

# Words for the kind of object, or for the filters used: with them or without, the target is the same.
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

    `canonical` is None where nothing was written, or a word that programs write for want of a name.
    `objects` are what the name may mean: of a known object itself, of a name that several objects have
    each of them; `several` says which.
    """

    canonical: str | None
    recognised: bool
    how: str
    objects: tuple[SkyObject, ...] = ()
    several: bool = False


class TargetNames:
    """Returns one name for the spellings of each target.

    `additions` is the user's table (written → name) and wins; a row for one spelling or designation
    stands for all that are read as the same object. What is one object by the hand table, or with a
    `catalogue` by its designations and common names, is one target: its Messier number, else its NGC,
    IC, Sharpless or Caldwell number, else another. `known` are the names in use: an unknown target that
    differs from one of them only by case or spaces becomes it, and of two new ones the first spelling
    stays.
    """

    def __init__(
        self,
        additions: Mapping[str, str] | None = None,
        catalogue: Catalogue | None = None,
        known: Iterable[str] = (),
    ) -> None:
        self._sky = SkyObjects(catalogue)
        no_own = OwnNames({}, _as_written)
        self._own = OwnNames(additions or {}, lambda text: self._read(text, no_own).reading)
        self._spellings = Spellings(known)
        self._given: dict[str | None, TargetName] = {}

    def name(self, written: str | None) -> TargetName:
        """Return the name of a target as a header (or a person) writes it."""
        if written not in self._given:
            self._given[written] = self._name(tidy(written))
        return self._given[written]

    def name_at(self, written: str | None, ra_deg: float, dec_deg: float, field_deg: float) -> TargetName:
        """Return the name of a target that a frame pointed at (ICRS degrees).

        Of a name that several objects have, the one that reaches into a field of `field_deg` is meant;
        where none does, or more than one, the name stays as it is written.
        """
        name = self.name(written)
        if not name.several:
            return name
        placed = [(one.away_deg(ra_deg, dec_deg), one) for one in name.objects]
        near = [
            (apart_deg, one)
            for apart_deg, one in placed
            if apart_deg is not None and apart_deg <= field_deg + (one.size_deg or 0.0)
        ]
        if len(near) != 1:
            return name
        apart_deg, meant = near[0]
        others = " and ".join(one.name for one in name.objects if one is not meant)
        how = f"a common name of {meant.name}, which is {apart_deg:.2f}° away, and of {others}"
        own = self._own.for_meant(meant.name)
        return TargetName(own or meant.name, recognised=True, how=how, objects=(meant,))

    def object_at(self, ra_deg: float, dec_deg: float, radius_deg: float) -> SkyObject | None:
        """Return the best-known object of the catalogue near a position (ICRS degrees), None for none."""
        return self._sky.best_known_near(ra_deg, dec_deg, radius_deg)

    def _name(self, text: str) -> TargetName:
        if not text:
            return TargetName(None, recognised=False, how="no name is written")
        meant = self._read(text, self._own)
        reading = meant.reading
        canonical = tidy(reading.canonical)  # joined from several names, it may exceed the longest name
        if not canonical:
            return TargetName(None, recognised=False, how=reading.how)
        if not reading.recognised:
            canonical = self._spellings.first(canonical)
        return TargetName(canonical, reading.recognised, reading.how, meant.objects, meant.several)

    def _read(self, text: str, own: OwnNames) -> _Meant:
        if (name := own.for_written(text)) is not None:
            return _Meant(Reading(name, True, "the user's table"))
        if names_nothing(text):
            return _nothing(f'"{text}" names no target')
        name = trimmed(text)
        if name == text:
            return self._read_trimmed(text, own)
        if not name or names_nothing(name):
            return _nothing(f'"{text}" names no target')
        read = self._read_trimmed(name, own)
        how = f'{read.reading.how}; the rest of "{text}" left out'
        return replace(read, reading=replace(read.reading, how=how, whole=False))

    def _read_trimmed(self, text: str, own: OwnNames) -> _Meant:
        panel = split_panel(text)
        if panel is None:
            return self._read_target(text, own)
        of = trimmed(panel.base)
        if not of or names_nothing(of):
            return _nothing(f"panel {panel.panel} of a mosaic without a name")
        base = self._read_target(of, own)
        if not (panel.said or base.reading.recognised):
            return self._read_target(text, own)
        return _in_own_words(_with_panel(base, panel), own)

    def _read_target(self, text: str, own: OwnNames) -> _Meant:
        if (name := own.for_written(text)) is not None:
            return _Meant(Reading(name, True, "the user's table"))
        return _in_own_words(self._read_object(text), own)

    def _read_object(self, text: str) -> _Meant:
        if comet := comet_name(text):
            name, dropped = comet
            how = "a comet's designation" + (f'; the words "{dropped}" left out' if dropped else "")
            return _Meant(Reading(name, True, how, whole=not dropped))
        found = find_designations(text)
        inside = [one for one in found if not one.beyond]
        if not inside:
            return self._by_common_name(text) or _Meant(_kept(text, found))
        return self._by_designations(text, inside)

    def _by_common_name(self, text: str) -> _Meant | None:
        for name, dropped in _without_last_words(text):
            objects = self._sky.named(name)
            if len(objects) == 1:
                how = f"a common name of {objects[0].name}"
                how += f'; the words "{dropped}" left out' if dropped else ""
                return _Meant(Reading(objects[0].name, True, how, whole=not dropped), objects)
            if objects:
                several = " and ".join(one.name for one in objects)
                how = f"a common name of {several}: kept as written"
                return _Meant(Reading(text, False, how), objects, several=True)
        return None

    def _by_designations(self, text: str, found: list[Found]) -> _Meant:
        objects = tuple(dict.fromkeys(self._sky.identified(one.designation) for one in found))
        names = list(dict.fromkeys(one.name for one in objects))
        rest = _without(text, found)
        own_words = {common_key(word) for of in objects for name in of.common_names for word in _words(name)}
        extra = [word for word in _words(rest) if not _adds_nothing(word, own_words)]
        if extra and not _is_filter(" ".join(extra)):
            return _Meant(_kept_apart(text, found[0], names[0], extra))
        name = " + ".join(sorted(names, key=_in_order))
        dropped = " ".join(_words(rest))
        return _Meant(Reading(name, True, _how(found, name, dropped), whole=not dropped), objects)


@dataclass(frozen=True, slots=True)
class _Meant:
    """A reading, and the objects that it means: together, or of `several` only one."""

    reading: Reading
    objects: tuple[SkyObject, ...] = ()
    several: bool = False


def _as_written(text: str) -> Reading:
    return Reading(text, False, "kept as written")


def _nothing(how: str) -> _Meant:
    return _Meant(Reading("", False, how))


def _in_own_words(meant: _Meant, own: OwnNames) -> _Meant:
    reading = meant.reading
    name = own.for_meant(reading.canonical)
    if name is None:
        return meant
    in_own = Reading(name, True, f"the user's table, for {reading.canonical}", reading.whole)
    return _Meant(in_own, () if meant.several else meant.objects)


def _with_panel(base: _Meant, panel: Panel) -> _Meant:
    """Return a panel's reading; no catalogue has its position."""
    reading = Reading(
        f"{base.reading.canonical} panel {panel.panel}",
        base.reading.recognised,
        f"{base.reading.how}; panel {panel.panel} of a mosaic stays apart",
        base.reading.whole,
    )
    return _Meant(reading)


def _without_last_words(text: str) -> Iterable[tuple[str, str]]:
    """Return a name, and each beginning of it behind which only filters and kinds of object stand."""
    yield text, ""
    words = list(_WORDS.finditer(text))
    for word in reversed(words[1:]):
        if not _adds_nothing(word[0], set()):
            return
        yield text[: word.start()].rstrip(" ,;:([&+/–-"), text[word.start() :].strip(" )]")


def _words(text: str) -> list[str]:
    found: list[str] = _WORDS.findall(text)
    return [word for word in found if fold(word) != "and" and any(map(str.isalnum, word))]


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
