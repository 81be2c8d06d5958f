"""What looking at other people's files depends on: how long a path may be, who knows a size, who a birth."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import NamedTuple

from manifests.bags.contents import is_link
from transfer.engine.medium.windows.paths import extended, plain

ON_WINDOWS = sys.platform == "win32"
_NS = 1_000_000_000


def at_any_length(path: str, *, windows: bool = ON_WINDOWS) -> str:
    """Return an absolute path in the form in which the system takes it however long it is."""
    return extended(path) if windows else path


def as_written(path: str, *, windows: bool = ON_WINDOWS) -> str:
    """Return a path in the form that a person writes and reads, in whichever the system was asked."""
    return plain(path) if windows else path


class Spelling(NamedTuple):
    """How the system is asked for a path, and how a person is told of it."""

    asked: Callable[[str], str] = at_any_length
    told: Callable[[str], str] = as_written


HERE = Spelling()


def leads_to_a_folder(entry: os.DirEntry[str], *, windows: bool = ON_WINDOWS) -> bool:
    """Return whether what a folder lists as a folder is a link or junction to one. Raises OSError.

    Only Windows has junctions, and there the listing tells of them without asking the system again.
    """
    return is_link(entry) if windows else entry.is_symlink()


def facts_of(*, stays_open: bool, windows: bool = ON_WINDOWS) -> Callable[[os.DirEntry[str]], os.stat_result]:
    """Return a function that asks for size and times of what a folder lists, the file itself if need be.

    From memory: Windows writes them into the folder only when a file is closed, so of one that `stays_open`
    the folder tells what was so when it was opened.
    """
    if windows and stays_open:
        return lambda entry: os.stat(entry.path)  # noqa: PTH116 - a Path for each file costs more than the call
    return os.DirEntry.stat


def time_of_birth(*, windows: bool = ON_WINDOWS) -> Callable[[os.stat_result], int] | None:
    """Return a function for when a file was made, in nanoseconds since 1970; None where no system keeps it.

    Windows says it as st_ctime until Python 3.12 and, by its documentation, as st_birthtime from then on.
    """
    if hasattr(os.stat_result, "st_birthtime_ns"):
        return lambda facts: int(getattr(facts, "st_birthtime_ns"))  # noqa: B009 - not known to every system
    if windows:
        return lambda facts: facts.st_ctime_ns
    if hasattr(os.stat_result, "st_birthtime"):
        return lambda facts: round(getattr(facts, "st_birthtime") * _NS)  # noqa: B009 - likewise
    return None


born_ns = time_of_birth()
