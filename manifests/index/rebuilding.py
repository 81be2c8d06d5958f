"""Builds the index again from the bags' entries alone, and replaces the old one."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from manifests.index.carrying_over import carry_over
from manifests.index.faults import IndexBusy, IndexDamaged, IndexUnusable, NoIndex, faults_of
from manifests.index.found_bags import FoundBags, bags_of
from manifests.index.measures import carry_measures
from manifests.index.opening import PATIENCE_S, Index, open_index, open_place
from manifests.index.recognising import SIDE_FILES, lies_beside
from manifests.index.refreshing import Refreshed, refresh
from manifests.index.schema import INDEX_NAME
from manifests.index.scratch import scratch_folder

_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_SCRATCH = ("journal_mode = MEMORY", "synchronous = OFF", "cache_size = -65536")  # negative: KiB


@dataclass(frozen=True, slots=True)
class SetAside:
    """A damaged index: what was wrong with it, and where its file lies now."""

    reason: str
    path: Path


@dataclass(frozen=True, slots=True)
class BroughtUpToDate:
    """What was found in the archive, and the damaged index, if any, that was set aside."""

    refreshed: Refreshed
    set_aside: SetAside | None = None


def bring_up_to_date(
    archive: Path, *, on_network: bool = False, patience_s: float = PATIENCE_S
) -> BroughtUpToDate:
    """Make the archive's index say what its bags say now, reading no bag that is as it was.

    Where there is no index, or a damaged one, it is built anew. `on_network`: see `open_index`.
    Raises OSError where the archive's folder is not there, IndexNewer (nothing was touched), IndexBusy,
    IndexUnusable.
    """
    path = archive / INDEX_NAME
    try:
        open_index(path, patience_s=patience_s).close()
        with open_index(path, write=True, on_network=on_network, patience_s=patience_s) as index:
            return BroughtUpToDate(refresh(index, bags_of(archive)))
    except NoIndex:
        return _rebuilt(archive, None, on_network, patience_s)
    except IndexDamaged as damage:
        return _rebuilt(archive, damage, on_network, patience_s)


def rebuild(archive: Path, *, on_network: bool = False, patience_s: float = PATIENCE_S) -> BroughtUpToDate:
    """Build the archive's index from its bags alone, and replace the old one in one step.

    Readers see the old one or the new one. Bags that vanished are carried over from the old one,
    because no bag lists them. Raises as `bring_up_to_date` does.
    """
    damage: IndexDamaged | None = None
    try:
        open_index(archive / INDEX_NAME, patience_s=patience_s).close()
    except NoIndex:
        pass
    except IndexDamaged as fault:
        damage = fault
    return _rebuilt(archive, damage, on_network, patience_s)


def _rebuilt(
    archive: Path, damage: IndexDamaged | None, on_network: bool, patience_s: float
) -> BroughtUpToDate:
    path = archive / INDEX_NAME
    found = bags_of(archive)
    with _scratch() as new:
        refreshed = refresh(new, found)
        damage = damage or _carried_over(new, path, found, patience_s)
        set_aside = SetAside(damage.happened, _moved_aside(path)) if damage else None
        try:
            _put_in_place(new, path, on_network, patience_s)
        except IndexDamaged as found:  # what lay there looked like no index yet, and is nothing to write into
            set_aside = SetAside(found.happened, _moved_aside(path))
            _put_in_place(new, path, on_network, patience_s)
    return BroughtUpToDate(refreshed, set_aside)


@contextmanager
def _scratch() -> Iterator[Index]:
    """Lend an empty index in a temporary folder; nothing of it is flushed."""
    with (
        scratch_folder() as folder,
        open_index(folder / INDEX_NAME, write=True, on_network=True) as index,
    ):
        for setting in _SCRATCH:
            index.connection.execute(f"PRAGMA {setting}")
        yield index


def _carried_over(new: Index, path: Path, found: FoundBags, patience_s: float) -> IndexDamaged | None:
    """Carry absent bags over from the old index; return what is wrong with it, if anything."""
    try:
        with open_index(path, patience_s=patience_s) as old:
            verdict: str = old.row("PRAGMA quick_check(1)")[0]
            if verdict != "ok":
                return IndexDamaged(path, f"the index is damaged ({verdict})")
            carry_over(old, new, found)
            carry_measures(old, new)
    except NoIndex:
        return None
    except IndexDamaged as damage:
        return damage
    return None


def _moved_aside(path: Path) -> Path:
    """Move a damaged index out of the way, over one that was moved before, and return where it lies.

    Its write-ahead log goes first: left behind, it would be merged into the index that comes next.
    """
    aside = _aside_of(path)
    try:
        for ending in (*SIDE_FILES, ""):
            aside.with_name(aside.name + ending).unlink(missing_ok=True)
            if lies_beside(path, ending):
                path.with_name(path.name + ending).replace(aside.with_name(aside.name + ending))
    except PermissionError as error:  # on Windows, as long as another program has it open
        raise IndexBusy(path) from error
    except OSError as error:
        raise IndexUnusable(path, f"the damaged index could not be moved ({error.strerror})") from error
    return aside


def _aside_of(path: Path) -> Path:
    """Return the name for a damaged index: the first that no folder has, for a folder is never replaced."""
    for number in count(1):
        ending = "" if number == 1 else f" {number}"
        aside = path.with_name(f"{path.stem}.damaged{ending}{path.suffix}")
        if not any(aside.with_name(aside.name + one).is_dir() for one in (*SIDE_FILES, "")):
            break
    return aside


def _put_in_place(new: Index, path: Path, on_network: bool, patience_s: float) -> None:
    """Put a whole index into the file of another in one transaction of that file.

    So it works under readers on every system; a file that others have open can't be replaced on
    Windows, and elsewhere its write-ahead log would be taken for the new one's.
    """
    with open_place(path, on_network=on_network, patience_s=patience_s) as place, faults_of(path):
        new.connection.backup(place.connection, progress=_patience(path, patience_s))


def _patience(path: Path, patience_s: float) -> Callable[[int, int, int], None]:
    until = time.monotonic() + patience_s

    def progress(status: int, _remaining: int, _total: int) -> None:
        # All pages go in one step, and SQLite tries again for ever while another program has the file.
        if status in _BUSY and time.monotonic() > until:
            raise IndexBusy(path)

    return progress
