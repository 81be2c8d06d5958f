"""Names as a person types them, found among the archive's own: in any spelling, a target with its panels."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

from manifests.frames.calibration.equipment import NO_OWN_NAMES, EquipmentNames
from transfer.archive.notes import ReadAs, Tell, UnknownName
from transfer.errors import ConfigurationError

if TYPE_CHECKING:
    from manifests.frames.names.catalogues import Catalogue
    from manifests.frames.names.filters import FilterNames
    from manifests.frames.names.targets import TargetName, TargetNames
    from manifests.index.frame_query import FrameRow
    from manifests.index.names import ArchiveNames, ShownNames
    from manifests.index.opening import Index

_NEAR = 5


@dataclass(frozen=True, slots=True)
class NameTables:
    """The user's own names, from the configuration: of targets and filters what is written → the name."""

    targets: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[str, str] = field(default_factory=dict)
    equipment: EquipmentNames = NO_OWN_NAMES


@dataclass(frozen=True, slots=True)
class Typed:
    """The names that a question was asked with."""

    targets: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()
    cameras: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.targets or self.filters or self.cameras)


@dataclass(frozen=True, slots=True)
class MeantTarget:
    """The target that a typed name means: its one name, `how` it was found, and the archive's `names` for it.

    The archive may have several: the panels of a mosaic, or names from before a catalogue was installed or
    the configuration named the target.
    """

    name: str
    how: str
    names: tuple[str, ...]


class ArchiveNaming:
    """The archive's names, read as the person's own tables and the catalogue name things now."""

    def __init__(self, archived: ArchiveNames, own: NameTables) -> None:
        self._archived = archived
        self._own = own

    def target(self, written: str) -> MeantTarget:
        """Return the target that is meant, with all its panels, or the one panel that is named.

        Raises ConfigurationError where the catalogue is damaged.
        """
        from manifests.frames.names.spelling import fold, tidy

        reading = self._target_names.name(written)
        name = reading.canonical or written
        found = tuple(
            target
            for target in self._archived.targets
            if fold(target) == fold(written) or self._is_of(target, reading)
        )
        return MeantTarget(name, "" if fold(name) == fold(tidy(written)) else reading.how, found)

    def _is_of(self, target: str, wanted: TargetName) -> bool:
        """Return whether a target is the one that was typed, or one of the several with that name."""
        from manifests.frames.names.panels import split_panel

        if wanted.canonical is None:
            return False
        meant = {wanted.canonical, *(one.name for one in wanted.objects if wanted.several)}
        if self._target_names.name(target).canonical in meant:
            return True
        panel = split_panel(target)
        return panel is not None and panel.said and self._target_names.name(panel.base).canonical in meant

    def shown(self) -> ShownNames:
        """Return the archive's names for which the person's own tables have other names now.

        Raises ConfigurationError where the catalogue is damaged.
        """
        from manifests.frames.names.filters import FilterNames
        from manifests.frames.names.targets import TargetNames
        from manifests.index.names import ShownNames

        targets: dict[str | None, str] = {}
        filters: dict[str | None, str] = {}
        if self._own.targets:
            plain = TargetNames({}, self._catalogue, self._archived.targets)
            for name in self._archived.targets:
                now = self._target_names.name(name).canonical
                if now is not None and now != plain.name(name).canonical:
                    targets[name] = now
        if self._own.filters:
            without_own = FilterNames({}, self._archived.filters)
            for name in self._archived.filters:
                if (now := self.filter_name(name)) != without_own.name(name).canonical:
                    filters[name] = now
        return ShownNames(targets, filters)

    def filters_meant(self, written: str, among: Iterable[str] | None = None) -> tuple[str, ...]:
        """Return the names that the archive has, or those `among`, for a filter in any spelling.

        A name as the archive has it, in whatever case, means itself: "r" is R where there is an R.
        """
        archived = self._archived.filters if among is None else tuple(among)
        same = [self.filter_name(name) for name in archived if key(name) == key(written)]
        wanted = same or [self.filter_name(written)]
        return tuple(name for name in archived if self.filter_name(name) in wanted)

    def filter_name(self, written: str) -> str:
        """Return a filter's one name."""
        return self._filter_names.name(written).canonical

    @cached_property
    def _catalogue(self) -> Catalogue | None:
        from manifests.frames.names.catalogues import CatalogueUnreadable, load_catalogue

        try:
            return load_catalogue()
        except CatalogueUnreadable as error:
            happened = f"The catalogue cannot be read ({error.reason})"
            step = "Install the package pyongc again, or remove it."
            raise ConfigurationError(happened, error.path, step) from error

    @cached_property
    def _target_names(self) -> TargetNames:
        from manifests.frames.names.targets import TargetNames

        return TargetNames(self._own.targets, self._catalogue, self._archived.targets)

    @cached_property
    def _filter_names(self) -> FilterNames:
        from manifests.frames.names.filters import FilterNames

        return FilterNames(self._own.filters, self._archived.filters)


def shown_names(index: Index, own: NameTables) -> ShownNames:
    """Return the archive's names that the person's own tables name otherwise now.

    Raises ConfigurationError and IndexFault.
    """
    from manifests.index.names import AS_ARCHIVED, names

    return ArchiveNaming(names(index), own).shown() if own else AS_ARCHIVED


def renamed(row: FrameRow, shown: ShownNames) -> FrameRow:
    """Return a frame with the names that are shown."""
    target = row.target if row.target is None else shown.targets.get(row.target, row.target)
    name = row.filter if row.filter is None else shown.filters.get(row.filter, row.filter)
    return row if (target, name) == (row.target, row.filter) else replace(row, target=target, filter=name)


def names_meant(typed: Typed, known: ArchiveNames, own: NameTables, tell: Tell) -> Typed:
    """Return the archive's names for what was typed.

    A name that the archive does not have is reported, with names like it, and stays: it finds nothing.
    Raises ConfigurationError where the catalogue is damaged.
    """
    naming = ArchiveNaming(known, own)
    shown = naming.shown()

    def targets(written: str) -> tuple[str, ...]:
        return naming.target(written).names

    def cameras(written: str) -> tuple[str, ...]:
        wanted = {key(written), key(own.equipment.camera(written) or "")}
        return tuple(name for name in known.cameras if {key(name), _camera_key(name, own)} & wanted)

    return Typed(
        _OfAKind("target", known.targets, targets, shown.targets).meant(typed.targets, tell),
        _OfAKind("filter", known.filters, naming.filters_meant, shown.filters).meant(typed.filters, tell),
        _OfAKind("camera", known.cameras, cameras).meant(typed.cameras, tell),
    )


def _camera_key(name: str, own: NameTables) -> str:
    return key(own.equipment.camera(name) or "")


@dataclass(frozen=True, slots=True)
class _OfAKind:
    """The archive's `known` names of a kind, how one is `read`, and those that are `shown` otherwise."""

    kind: str
    known: Sequence[str]
    read: Callable[[str], tuple[str, ...]]
    shown: Mapping[str | None, str] = field(default_factory=dict)

    def meant(self, typed: Iterable[str], tell: Tell) -> tuple[str, ...]:
        meant: list[str] = []
        for written in typed:
            names = self.read(written)
            seen = tuple(dict.fromkeys(self.shown.get(name, name) for name in names))
            if not names:
                tell(UnknownName(self.kind, written, names_like(written, self.known)))
            elif tuple(map(key, seen)) != (key(written),):
                tell(ReadAs(self.kind, written, seen))
            meant += names or (written,)
        return tuple(dict.fromkeys(meant))


def key(name: str) -> str:
    """Return what names that differ only by case and spaces have in common."""
    return "".join(name.casefold().split())


def names_like(typed: str, known: Iterable[str]) -> tuple[str, ...]:
    """Return the known names that begin with what was typed, or contain it, or are spelt nearly so."""
    from difflib import get_close_matches

    wanted, by_key = key(typed), {key(name): name for name in known}
    begun = [name for each, name in by_key.items() if each.startswith(wanted)]
    inside = [name for each, name in by_key.items() if wanted in each]
    close = [by_key[each] for each in get_close_matches(wanted, by_key, _NEAR)]
    return tuple(dict.fromkeys((*begun, *inside, *close)))[:_NEAR]
