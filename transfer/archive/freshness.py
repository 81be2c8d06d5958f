"""A quick look whether the archive's bags are those that its index knows, cheap enough for every question."""

from __future__ import annotations

import os
from collections.abc import Container, Iterator
from pathlib import Path

from manifests.bags.companions import is_companion_folder
from manifests.bags.contents import is_link
from manifests.bags.paths import BAGIT_TXT, JOURNAL, OWN, PAGE_FOLDER, PAYLOAD, TAG_MANIFEST
from manifests.index.opening import Index

_KNOWN = "SELECT path, present, tag_size_bytes, tag_modified_ns, tag_inode FROM bags"

# The index keeps file numbers without their highest bit.
_INODE = 2**63 - 1


def is_as_it_was(index: Index, archive: Path) -> bool:
    """Return whether no bag has come, gone or changed since the index was brought up to date.

    Only the tag manifest of a known bag is looked at, so that thousands of bags take some hundredths of a
    second. A bag that was put inside the folder of another is found only when the index is built again.
    Where it is not clear, the answer is no. Raises IndexFault, and OSError where the archive's folder
    cannot be listed.
    """
    root = f"{archive}{os.sep}"
    known: set[str] = set()
    for path, present, size_bytes, modified_ns, inode in index.rows(_KNOWN):
        if present:
            if not _has_stamp(f"{root}{path}/{TAG_MANIFEST}", size_bytes, modified_ns, inode):
                return False
            known.add(path)
    return not any(_holds_a_bag(archive / folder, names) for folder, names in _other_folders(archive, known))


def _has_stamp(tag_manifest: str, size_bytes: int | None, modified_ns: int | None, inode: int | None) -> bool:
    try:
        found = os.stat(tag_manifest)  # noqa: PTH116 - a Path for each would take most of the time
    except PermissionError:
        return True  # it may be there, unchanged
    except OSError:
        return False
    here = found.st_mtime_ns, found.st_size, found.st_ino & _INODE
    return here == (modified_ns, size_bytes, inode)


def _other_folders(archive: Path, known: Container[str]) -> Iterator[tuple[str, set[str]]]:
    """Return each folder that is no known bag, the archive's own first, with the names in it."""
    pending = [""]
    while pending:
        below = pending.pop()
        try:
            names, folders = _look_into(archive / below, f"{below}/" if below else "", known)
        except OSError:
            if not below:
                raise
            continue
        yield below, names
        pending += folders


def _look_into(folder: Path, below: str, known: Container[str]) -> tuple[set[str], list[str]]:
    """Return the names in a folder, and the paths of its folders that are no known bags."""
    names: set[str] = set()
    folders: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            names.add(entry.name)
            if (path := f"{below}{entry.name}") not in known and _may_hold_bags(entry):
                folders.append(path)
    return names, folders


def _may_hold_bags(entry: os.DirEntry[str]) -> bool:
    is_folder = entry.is_dir(follow_symlinks=False) and not is_link(entry)
    return is_folder and entry.name != PAGE_FOLDER and not is_companion_folder(entry.name)


def _holds_a_bag(folder: Path, names: set[str]) -> bool:
    """Return whether a folder may be a bag, by its names. A wrong yes costs only a closer look."""
    if BAGIT_TXT in names or (OWN in names and (folder / JOURNAL).is_file()):
        return True
    return PAYLOAD in names and any(name.startswith("manifest-") for name in names)
