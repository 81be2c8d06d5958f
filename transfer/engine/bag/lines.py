"""Files of lines below a pinned folder, and paths there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from transfer.engine.medium import PinnedFolder


def read_lines(folder: PinnedFolder, path: str) -> Iterator[bytes]:
    """Read a file line by line, line ends included; nothing where it is not there. Raises OSError."""
    try:
        descriptor = folder.open_file(path)
    except FileNotFoundError:
        return
    file = os.fdopen(descriptor, "rb", buffering=1 << 20)
    try:
        # Not `yield from`, which would close the file itself.
        for line in file:  # noqa: UP028
            yield line
    finally:
        with suppress(OSError):  # what was only read loses nothing
            file.close()


def parent(path: str) -> str:
    """Give the folder of a path; empty for the root."""
    return path.rpartition("/")[0]
