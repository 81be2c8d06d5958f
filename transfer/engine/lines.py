"""Files of lines below a pinned folder, and paths there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from transfer.engine.medium import PinnedFolder


def read_lines(folder: PinnedFolder, path: str) -> Iterator[bytes]:
    """Read a file line by line, line ends included; nothing where it is not there. Raises OSError."""
    try:
        descriptor = folder.open_file(path)
    except FileNotFoundError:
        return
    with os.fdopen(descriptor, "rb", buffering=1 << 20) as file:
        yield from file


def parent(path: str) -> str:
    """Give the folder of a path; empty for the root."""
    return path.rpartition("/")[0]
