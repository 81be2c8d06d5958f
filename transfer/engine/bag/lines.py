"""Files of lines below a pinned folder, and paths there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress

from manifests.bags.list_sizes import Allowance, ListTooLarge, bounded_lines
from manifests.bags.paths import OWN
from transfer.engine.medium import PinnedFolder


def read_lines(folder: PinnedFolder, path: str) -> Iterator[bytes]:
    """Read a file line by line, line ends included; nothing where it is not there.

    It may be as large as the files of the bag that it lies in explain. Raises ListTooLarge where it is
    larger, and OSError.
    """
    try:
        descriptor = folder.open_file(path)
    except FileNotFoundError:
        return
    file = os.fdopen(descriptor, "rb", buffering=1 << 20)
    try:
        allowance = Allowance(lambda: _files_below(folder, _bag_of(path)))
        yield from bounded_lines(file, allowance)
    finally:
        with suppress(OSError):  # what was only read loses nothing
            file.close()


def content_of(folder: PinnedFolder, path: str) -> bytes:
    """Return a file of lines; nothing where it is not there, or larger than any. Raises OSError."""
    try:
        return b"".join(read_lines(folder, path))
    except ListTooLarge:  # anybody may have written it
        return b""


def _bag_of(path: str) -> str:
    bag, own, _ = path.partition(f"/{OWN}/")
    return bag if own else parent(path)


def _files_below(folder: PinnedFolder, path: str) -> int:
    count, pending = 0, [path]
    while pending:
        below = pending.pop()
        for name, is_folder in folder.names(below):
            count += not is_folder
            if is_folder:
                pending.append(f"{below}/{name}")
    return count


def parent(path: str) -> str:
    """Return the folder of a path; empty for the root."""
    return path.rpartition("/")[0]
