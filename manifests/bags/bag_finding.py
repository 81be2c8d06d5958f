"""The bags at, below and around a path."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from manifests.bags.bag_reading import is_bag, looks_like_a_bag
from manifests.bags.companions import is_companion_folder
from manifests.bags.contents import is_link
from manifests.bags.paths import (
    DRIVE_MARK,
    ENTRIES,
    JOURNAL,
    OWN,
    PAGE_FOLDER,
    PAYLOAD,
    PAYLOAD_XXH128,
    night_being_let_go,
    outlives_lists,
)

_OWN_LISTS = frozenset((ENTRIES, PAYLOAD_XXH128))


class RemainsOfABag(OSError):
    """A folder that was a bag of ours: lists in its `nightferry` folder stand, and it is no bag any more."""

    def __init__(self) -> None:
        super().__init__(
            errno.EINVAL,
            "this was a bag: its lists in nightferry/ stand, but bagit.txt and its manifest or its files "
            "are gone; keep it as it is, and look at the disk",
        )


class BeingLetGo(OSError):
    """A night's folder on a drive that a run has begun to let go: what is missing there is no damage."""

    def __init__(self) -> None:
        super().__init__(
            errno.EINVAL,
            "this night is being let go, since others have it; to go on: nightferry clear --drive --delete",
        )


def ignore(path: Path, error: OSError) -> None:
    """Ignore a folder that cannot be read."""


def find_bags(path: Path, unreadable: Callable[[Path, OSError], None] = ignore) -> Iterator[Path]:
    """Return every bag at or below `path`; where there is none, the bag that `path` lies in.

    So a bag's payload folder, or one of its files, stands for the whole bag: nothing less can be proven. A
    bag inside a bag's payload is payload. Links below `path` are not followed, and trees of
    any depth are walked without recursion. `unreadable` is called for each folder that cannot be read,
    with RemainsOfABag for what is left of a bag, and with BeingLetGo for what is left of a night on a drive
    that is being let go.
    Raises OSError where `path` itself is not there.
    """
    path.stat()
    gone = _being_let_go_around(path)
    if gone is not None:
        unreadable(gone, BeingLetGo())
        return
    found = False
    for bag in _at_or_below(path, unreadable) if path.is_dir() else ():
        found = True
        yield bag
    around = None if found else enclosing_bag(path)
    if around is not None:
        yield around


def _being_let_go_around(path: Path) -> Path | None:
    """Return the folder of a night that is being let go, where `path` is one or lies in one."""
    whole = path.absolute()
    folders = (each for each in (whole, *whole.parents) if night_being_let_go(each.name) is not None)
    return next((each for each in folders if (each.parent / DRIVE_MARK).is_file()), None)


def enclosing_bag(path: Path) -> Path | None:
    """Return the nearest bag whose folder `path` lies in, links followed; None where there is none."""
    return next((folder for folder in path.resolve().parents if is_bag(folder)), None)


def _at_or_below(path: Path, unreadable: Callable[[Path, OSError], None]) -> Iterator[Path]:
    pending = [path]
    while pending:
        folder = pending.pop()
        try:
            names, folders = _look_into(folder)
        except OSError as error:
            unreadable(folder, error)
            continue
        if DRIVE_MARK in names:
            going = [name for name in folders if night_being_let_go(name) is not None]
            folders = [name for name in folders if name not in going]
            for name in sorted(going):
                unreadable(folder / name, BeingLetGo())
        is_one, remains = looks_like_a_bag(names), False
        if OWN in names and not is_one:
            is_one = (folder / JOURNAL).is_file()
            try:
                remains = not is_one and has_lists(entry.name for entry in (folder / OWN).iterdir())
            except OSError as error:
                unreadable(folder / OWN, error)
        if is_one:
            yield folder
        if remains:
            unreadable(folder, RemainsOfABag())
        if is_one or remains:
            folders = [name for name in folders if name not in (PAYLOAD, OWN)]
        pending += [folder / name for name in sorted(folders, reverse=True)]


def has_lists(names: Iterable[str]) -> bool:
    """Return whether one of these names, in a bag's own folder, is that of a list of ours."""
    return any(f"{OWN}/{name}" in _OWN_LISTS or outlives_lists(f"{OWN}/{name}") for name in names)


def _look_into(folder: Path) -> tuple[set[str], list[str]]:
    """Return all names in a folder, and those of the folders that may contain bags."""
    names: set[str] = set()
    folders: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            names.add(entry.name)
            is_folder = entry.is_dir(follow_symlinks=False) and not is_link(entry)
            if is_folder and entry.name != PAGE_FOLDER and not is_companion_folder(entry.name):
                folders.append(entry.name)
    return names, folders
