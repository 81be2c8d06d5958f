"""Notes beside an answer: what happened to the index that it came from, and how the question was read."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from manifests.index.faults import IndexFault
    from manifests.index.rebuilding import BroughtUpToDate
    from manifests.index.refreshing import Refreshed


class Building(NamedTuple):
    """The index is about to be built from the bags; `damage` says what was wrong with the one before."""

    damage: str


class Built(NamedTuple):
    """The index was built from the bags."""

    report: BroughtUpToDate


class BagsChanged(NamedTuple):
    """Bags had come, gone or changed by hand; the index was brought up to date."""

    refreshed: Refreshed


class ForThisRunOnly(NamedTuple):
    """No index can be written in the archive's folder: a correct one was made for this run alone."""

    fault: IndexFault


class NotUpToDate(NamedTuple):
    """Another program holds the index: the list comes from it, though bags have changed since."""

    fault: IndexFault


class UnknownName(NamedTuple):
    """The archive has no `kind` (target, filter, camera) called `written`; `near` are names like it."""

    kind: str
    written: str
    near: tuple[str, ...]


class ReadAs(NamedTuple):
    """A name was read as another spelling of the archive's `names`, such as all panels of a target."""

    kind: str
    written: str
    names: tuple[str, ...]


Note = Building | Built | BagsChanged | ForThisRunOnly | NotUpToDate | UnknownName | ReadAs
Tell = Callable[[Note], None]


def nobody(note: Note) -> None:
    """Do nothing with a note."""
