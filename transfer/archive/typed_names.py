"""Names as a person types them, made the archive's own: a spelling is read, a slip is pointed out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from transfer.archive.notes import ReadAs, Tell, UnknownName

if TYPE_CHECKING:
    from manifests.index.names import ArchiveNames

_NEAR = 5


@dataclass(frozen=True, slots=True)
class OwnTables:
    """The person's own names for targets and filters: what is written → the name."""

    targets: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Typed:
    """The names that a question was asked with."""

    targets: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()
    cameras: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.targets or self.filters or self.cameras)


def names_meant(typed: Typed, known: ArchiveNames, own: OwnTables, tell: Tell) -> Typed:
    """Give the archive's names for what was typed.

    A name that the archive does not have is told, with those like it, and stays: it finds nothing.
    """
    targets = _Names("target", known.targets, lambda text: _target(text, own.targets, known.targets), tell)
    filters = _Names("filter", known.filters, lambda text: _filter(text, own.filters), tell)
    cameras = _Names("camera", known.cameras, lambda text: text, tell)
    return Typed(
        tuple(map(targets.meant, typed.targets)),
        tuple(map(filters.meant, typed.filters)),
        tuple(map(cameras.meant, typed.cameras)),
    )


@dataclass(frozen=True, slots=True)
class _Names:
    kind: str
    known: Sequence[str]
    read: Callable[[str], str]
    tell: Tell

    def meant(self, typed: str) -> str:
        if typed in self.known:
            return typed
        name = self._same(typed) or self._same(self.read(typed))
        if name is None:
            self.tell(UnknownName(self.kind, typed, names_like(typed, self.known)))
            return typed
        if key(name) != key(typed):
            self.tell(ReadAs(self.kind, typed, name))
        return name

    def _same(self, text: str) -> str | None:
        return next((name for name in self.known if key(name) == key(text)), None)


def key(name: str) -> str:
    """Give what names that differ only by case and spaces have in common."""
    return "".join(name.casefold().split())


def names_like(typed: str, known: Iterable[str]) -> tuple[str, ...]:
    """Give the known names that begin with what was typed, or contain it, or are spelt nearly so."""
    from difflib import get_close_matches

    wanted, by_key = key(typed), {key(name): name for name in known}
    begun = [name for each, name in by_key.items() if each.startswith(wanted)]
    inside = [name for each, name in by_key.items() if wanted in each]
    close = [by_key[each] for each in get_close_matches(wanted, by_key, _NEAR)]
    return tuple(dict.fromkeys((*begun, *inside, *close)))[:_NEAR]


def _target(typed: str, own: Mapping[str, str], known: Sequence[str]) -> str:
    from manifests.frames.names.catalogues import CatalogueUnreadable, load_catalogue
    from manifests.frames.names.targets import TargetNames

    if (name := TargetNames(own).name(typed).canonical) in known:
        return str(name)
    try:
        catalogue = load_catalogue()
    except CatalogueUnreadable:  # a name is then read without it, as where none is installed
        catalogue = None
    return TargetNames(own, catalogue).name(typed).canonical or typed


def _filter(typed: str, own: Mapping[str, str]) -> str:
    from manifests.frames.names.filters import FilterNames

    return FilterNames(own).name(typed).canonical
