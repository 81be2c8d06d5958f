"""A new archive begun: its mark written so that of several who begin it at once only one does."""

from __future__ import annotations

import os
import time

from transfer.archive.mark import MARK_NAME
from transfer.engine.bag.durable import PART_ENDING, remove_if_there
from transfer.engine.medium import PinnedFolder
from transfer.engine.medium.base import write_all

_PART = f"{MARK_NAME}{PART_ENDING}"
# Writing a mark takes a moment: a part that stays longer is of a run that died.
_PATIENCE_S = 10.0
_LOOK_S = 0.05


def write_first_mark(folder: PinnedFolder, content: bytes) -> None:
    """Write a mark where there is none, or wait for the one that another run is writing. Raises OSError."""
    until = time.monotonic() + _PATIENCE_S
    while folder.stat(MARK_NAME) is None:
        try:
            # Only one can make this file: it is who begins the archive.
            descriptor = folder.create_file(_PART)
        except FileExistsError:
            if time.monotonic() > until:
                remove_if_there(folder, _PART)
            time.sleep(_LOOK_S)
            continue
        _write(folder, descriptor, content)


def _write(folder: PinnedFolder, descriptor: int, content: bytes) -> None:
    try:
        try:
            write_all(descriptor, content)
            folder.flush_files([descriptor])
        finally:
            os.close(descriptor)
    except OSError:
        folder.remove(_PART)
        raise
    if folder.stat(MARK_NAME) is None:
        folder.replace(_PART, MARK_NAME)
    else:
        folder.remove(_PART)
    folder.flush_folders([""])
