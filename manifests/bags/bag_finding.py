"""The bags at, below and around a path."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

from manifests.bags.bag_reading import is_bag, looks_like_a_bag
from manifests.bags.companions import is_companion_folder
from manifests.bags.contents import is_link
from manifests.bags.paths import JOURNAL, OWN, PAYLOAD


def ignore(path: Path, error: OSError) -> None:
    """Let a folder that cannot be looked into be."""


def find_bags(path: Path, unreadable: Callable[[Path, OSError], None] = ignore) -> Iterator[Path]:
    """Return every bag at or below `path`; where there is none, the bag that `path` lies in.

    So a bag's payload folder, or one of its files, stands for the bag: nothing less can be proven. What
    lies in a bag's payload is payload, bags included. Links below `path` are not followed, and trees of
    any depth are walked without recursion. `unreadable` is told of folders that can't be looked into.
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
        if looks_like_a_bag(names) or (OWN in names and (folder / JOURNAL).is_file()):
            yield folder
            folders = [name for name in folders if name not in (PAYLOAD, OWN)]
        pending += [folder / name for name in sorted(folders, reverse=True)]


def _look_into(folder: Path) -> tuple[set[str], list[str]]:
    """Return the names in a folder, and which of them are folders that may hold bags."""
    names: set[str] = set()
    folders: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            names.add(entry.name)
            is_folder = entry.is_dir(follow_symlinks=False) and not is_link(entry)
            if is_folder and not is_companion_folder(entry.name):
                folders.append(entry.name)
    return names, folders
