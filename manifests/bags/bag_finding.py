"""The bags at, below and around a path."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from manifests.bags.bag_reading import is_bag, looks_like_a_bag
from manifests.bags.companions import is_companion_folder
from manifests.bags.contents import is_link
from manifests.bags.paths import ENTRIES, JOURNAL, OWN, PAYLOAD, PAYLOAD_XXH128, outlives_lists

_OWN_LISTS = frozenset((ENTRIES, PAYLOAD_XXH128))


class RemainsOfABag(OSError):
    """A folder that was a bag of ours: lists in its `nightferry` folder stand, and it is no bag any more."""

    def __init__(self) -> None:
        super().__init__(
            errno.EINVAL,
            "this was a bag: its lists in nightferry/ stand, but bagit.txt and its manifest or its files "
            "are gone; keep it as it is, and look at the disk",
        )


def ignore(path: Path, error: OSError) -> None:
    """Ignore a folder that cannot be read."""


def find_bags(path: Path, unreadable: Callable[[Path, OSError], None] = ignore) -> Iterator[Path]:
    """Return every bag at or below `path`; where there is none, the bag that `path` lies in.

    So a bag's payload folder, or one of its files, stands for the whole bag: nothing less can be proven. A
    bag inside a bag's payload is payload. Links below `path` are not followed, and trees of
    any depth are walked without recursion. `unreadable` is called for each folder that cannot be read, and
    with RemainsOfABag for what is left of a bag.
    Raises OSError where `path` itself is not there.
    """
    path.stat()
    found = False
    for bag in _at_or_below(path, unreadable) if path.is_dir() else ():
        found = True
        yield bag
    around = None if found else enclosing_bag(path)
    if around is not None:
        yield around


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
            if is_folder and not is_companion_folder(entry.name):
                folders.append(entry.name)
    return names, folders
