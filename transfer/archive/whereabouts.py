"""Whether a folder is an archive that can be used, and how a run ends where it is not."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from manifests.bags.bag_reading import is_bag
from manifests.bags.paths import BAGIT_TXT
from manifests.index.faults import IndexBusy, IndexFault
from manifests.index.schema import INDEX_NAME
from transfer.archive.mark import MARK_NAME as ARCHIVE_MARK
from transfer.engine.drive import MARK_NAME as DRIVE_MARK
from transfer.engine.medium import this_computer
from transfer.engine.medium.networks import is_on_a_network
from transfer.errors import Busy, NightferryError, NotThere


def is_an_archive(root: Path) -> bool:
    """Return whether a folder without an index is an archive: it has the mark of one, or bags lie in it.

    An index is written into an archive and into nothing else: not into a folder that was named by mistake,
    nor a drive that nights are sent to, nor a bag. Raises OSError where the folder is not there.
    """
    if (root / ARCHIVE_MARK).is_file():
        return True
    if (root / DRIVE_MARK).exists() or (root / BAGIT_TXT).exists():
        return False
    return any(map(is_bag, root.iterdir())) or any(map(is_bag, (root / "nights").glob("*")))


def on_network(root: Path) -> bool:
    """Return whether other computers may have the archive open, too."""
    return is_on_a_network(root, this_computer().volume_of(root).file_system)


def as_error(fault: IndexFault) -> NightferryError:
    """Return what a fault of the index means for a run. A list that could not be made exits with 1."""
    kind = Busy if isinstance(fault, IndexBusy) else NightferryError
    return kind(_sentence(fault.happened), fault.path, fault.next_step)


def not_there(root: Path) -> NotThere:
    """Return the end of a run whose archive's folder is not there."""
    step = "Connect and mount what it is on, or name another folder with --archive."
    return NotThere("The archive's folder is not there", root, step)


def no_archive(root: Path) -> NotThere:
    """Return the end of a run that found a folder, and no archive in it."""
    step = "Is its disk or share mounted? A folder becomes an archive when `nightferry file` files into it."
    return NotThere("There is no archive in this folder", root, step)


def require_archive(root: Path) -> None:
    """Check that a folder is there and an archive. Raises NotThere."""
    if not os.path.isdir(root):  # noqa: PTH112 - a Path's raises where a driver in user space has died
        raise not_there(root)
    if not (root / INDEX_NAME).exists() and not is_an_archive(root):
        raise no_archive(root)


@contextmanager
def faults_as_errors(root: Path) -> Iterator[None]:
    """Raise NightferryError for a fault of the index, and for a folder that can't be looked into."""
    try:
        yield
    except IndexFault as fault:
        raise as_error(fault) from fault
    except (FileNotFoundError, NotADirectoryError) as error:
        raise not_there(root) from error


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
