"""The archive opened for reading: its folder, and its index as its bags are now."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from manifests.index.faults import IndexBusy, IndexFault, IndexUnusable
from manifests.index.opening import Index, open_index
from manifests.index.rebuilding import bring_up_to_date
from manifests.index.schema import INDEX_NAME
from transfer.config import Config
from transfer.errors import Busy, ConfigurationError, NightferryError, NotThere
from transfer.jobs.filing.archive_mark import MARK_NAME


def archive_root(config: Config) -> Path:
    """Give the archive's folder. Raises ConfigurationError where none is named, NotThere where it is not."""
    if config.archive is None:
        step = "Name its folder there, under [archive]."
        raise ConfigurationError("The configuration names no archive", config.file, step)
    root = config.archive.folder
    # A Path's own questions raise where a driver in user space has died.
    if not os.path.isdir(root):  # noqa: PTH112
        raise NotThere("The archive's folder is not there", root, "Connect and mount what it is on.")
    if not any(os.path.isfile(root / name) for name in (MARK_NAME, INDEX_NAME)):  # noqa: PTH113
        step = f"Is its disk or share mounted? An archive has a {MARK_NAME}; nightferry file begins one."
        raise NotThere("There is no archive in this folder", root, step)
    return root


@contextmanager
def open_archive(root: Path) -> Iterator[Index]:
    """Open the archive's index, brought up to what its bags say where it may be written.

    Raises NotThere, Busy and NightferryError.
    """
    try:
        _bring_up_to_date(root)
        with open_index(root / INDEX_NAME) as index:
            yield index
    except IndexFault as fault:
        raise _ended_by(fault) from fault


def _bring_up_to_date(root: Path) -> None:
    try:
        bring_up_to_date(root)
    except IndexUnusable:
        # An archive that may only be read is read as its index says.
        return
    except OSError as error:
        step = "Look at its disk, then try again."
        raise NotThere(f"The archive cannot be read ({error.strerror or error})", root, step) from error


def _ended_by(fault: IndexFault) -> NightferryError:
    kind = Busy if isinstance(fault, IndexBusy) else NightferryError
    return kind(_capitalised(fault.happened), fault.path, fault.next_step)


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]
