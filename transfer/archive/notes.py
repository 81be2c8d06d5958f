"""What a person who reads a list must know about the index that it came from, and about the question."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from manifests.index.faults import IndexFault
    from manifests.index.rebuilding import BroughtUpToDate
    from manifests.index.refreshing import Refreshed


class Building(NamedTuple):
    """The index is about to be built from the bags; `damage` is what was wrong with the one there was."""

    damage: str


class Built(NamedTuple):
    """The index was built from the bags."""

    report: BroughtUpToDate


class BagsChanged(NamedTuple):
    """Bags had come, gone or changed by hand, and the index has it now."""

    refreshed: Refreshed


class ForThisRunOnly(NamedTuple):
    """The archive's folder takes no index: one was made for this run alone, and what it says is right."""

    fault: IndexFault


class NotUpToDate(NamedTuple):
    """Another program holds the index: the list is what it says, though bags have changed since."""

    fault: IndexFault


class UnknownName(NamedTuple):
    """The archive has no `kind` (target, filter, camera) called `written`; `near` are names like it."""

    kind: str
    written: str
    near: tuple[str, ...]


class ReadAs(NamedTuple):
    """A name was taken for another one's spelling."""

    kind: str
    written: str
    name: str


Note = Building | Built | BagsChanged | ForThisRunOnly | NotUpToDate | UnknownName | ReadAs
Tell = Callable[[Note], None]


def nobody(note: Note) -> None:
    """Tell nobody."""
