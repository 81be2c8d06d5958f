"""What a person calls a target or a filter, found among the names that the archive has."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from manifests.frames.names.filters import FilterNames
from manifests.frames.names.panels import split_panel
from manifests.frames.names.spelling import fold, tidy
from manifests.frames.names.targets import TargetName, TargetNames


@dataclass(frozen=True, slots=True)
class Meant:
    """What was meant by a name: its one name, `how` that was arrived at, and the archive's `names` for it.

    The archive may have several: the panels of a mosaic, or names from before a catalogue was installed.
    """

    name: str
    how: str
    names: tuple[str, ...]


def meant_targets(written: str, archived: Sequence[str], naming: TargetNames) -> Meant:
    """Find a target, in any spelling: itself and all its panels, or the one panel that is named."""
    reading = naming.name(written)
    name = reading.canonical or written
    found = [target for target in archived if _is_of(target, reading, naming)]
    return Meant(name, "" if fold(name) == fold(tidy(written)) else reading.how, tuple(found))


def _is_of(target: str, wanted: TargetName, naming: TargetNames) -> bool:
    if naming.name(target).canonical == wanted.canonical:
        return True
    panel = split_panel(target)
    return panel is not None and panel.said and naming.name(panel.base).canonical == wanted.canonical


def meant_filters(written: str, archived: Iterable[str], naming: FilterNames) -> tuple[str, ...]:
    """Find a filter, in any spelling, among the names that the archive has.

    A name as the archive has it, in whatever case, means itself: "r" is R where there is an R.
    """
    archived = list(archived)
    if same := tuple(name for name in archived if fold(name) == fold(written)):
        return same
    wanted = naming.name(written).canonical
    return tuple(name for name in archived if naming.name(name).canonical == wanted)
