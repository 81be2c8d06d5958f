"""The one place where what is wrong with an index becomes an end of the run."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from manifests.index.faults import IndexBusy, IndexFault
from transfer.errors import Busy, NightferryError, NotThere


def as_error(fault: IndexFault) -> NightferryError:
    """Give what a fault of the index means for a run. A list that could not be made exits with 1."""
    kind = Busy if isinstance(fault, IndexBusy) else NightferryError
    return kind(_sentence(fault.happened), fault.path, fault.next_step)


def not_there(root: Path) -> NotThere:
    """Give the end of a run whose archive's folder is not there."""
    step = "Connect and mount what it is on, or name another folder with --archive."
    return NotThere("The archive's folder is not there", root, step)


def no_archive(root: Path) -> NotThere:
    """Give the end of a run that found a folder, and no archive in it."""
    step = "Is its disk or share mounted? A folder becomes an archive when `nightferry file` files into it."
    return NotThere("There is no archive in this folder", root, step)


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
