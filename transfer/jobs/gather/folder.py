"""The folder to lay out in: checked before anything is written, and held open."""

from __future__ import annotations

import contextlib
import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from manifests.bags.bag import enclosing_bag, is_bag
from transfer.engine.medium import Medium, PinnedFolder, drive_has_left, drive_is_full
from transfer.errors import ConfigurationError, DoesNotFit, DriveFailed, NightferryError

_PART = re.compile(r"nightferry-\d+\.part")
_ANOTHER = "Give a folder of its own with --into."


def check_folder(folder: Path, archive: Path, config_file: Path | None = None) -> None:
    """Check that laying out in a folder changes no bag, and that the archive lies outside it.

    Raises ConfigurationError; `config_file` is what names the archive's folder, if a file does.
    """
    real = folder.resolve()
    step = _ANOTHER if config_file is None else f"{_ANOTHER} [archive] folder is named in {config_file}."
    if _lies_within(real, archive):
        raise ConfigurationError("This folder lies in the archive, which is never changed", folder, step)
    if _lies_within(archive.resolve(), real):
        raise ConfigurationError(f"The archive ({archive}) lies in this folder", folder, step)
    bag = real if is_bag(real) else enclosing_bag(real)
    if bag is not None:
        raise ConfigurationError(f"This folder belongs to a bag ({bag})", folder, _ANOTHER)
    if os.path.lexists(real) and not os.path.isdir(real):  # noqa: PTH112 - as in archive.py
        raise ConfigurationError("This is a file", folder, _ANOTHER)


def _lies_within(inner: Path, outer: Path) -> bool:
    """Compare by identity, not by spelling: cases, links and second mounts all lead to one folder."""
    wanted = _identity(outer)
    return wanted is not None and any(_identity(place) == wanted for place in (inner, *inner.parents))


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_dev, facts.st_ino


@contextmanager
def held_folder(folder: Path, medium: Medium) -> Iterator[PinnedFolder]:
    """Open the folder, which is made where it is not there, and keep it open.

    Raises DoesNotFit where nothing can be written to it, and DriveFailed, for any error of its file system.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        pinned = medium.pin(folder)
    except OSError as error:
        raise folder_failure(error, folder) from error
    try:
        _remove_parts(pinned)
        yield pinned
    except OSError as error:
        raise folder_failure(error, folder) from error
    finally:
        pinned.close()


def new_part(number: int) -> str:
    """Return the temporary path of a file in the folder that has no final name yet."""
    return f"nightferry-{number}.part"


def _remove_parts(folder: PinnedFolder) -> None:
    """Remove the temporary files of a run that did not finish."""
    for name, is_folder in folder.names(""):
        if not is_folder and _PART.fullmatch(name):
            with contextlib.suppress(FileNotFoundError):
                folder.remove(name)


def folder_failure(error: OSError, folder: Path) -> NightferryError:
    """Return the error that tells a person what an error of the system means for this folder."""
    what = error.strerror or str(error)
    again = "What lies there is whole; gather again to go on."
    if drive_is_full(error):
        return DoesNotFit("The disk of this folder is full", folder, f"Make room on it. {again}")
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return DoesNotFit(f"This folder cannot be written to ({what})", folder, _ANOTHER)
    if drive_has_left(error):
        return DriveFailed(f"The disk of this folder left ({what})", folder, f"Connect it. {again}")
    if error.errno in (errno.ENOTDIR, errno.EEXIST, errno.ELOOP, errno.EXDEV):
        named = error.filename2 or error.filename  # of a link, the second is its own name
        where = named if isinstance(named, str) else ""
        happened = f"A file or link lies in the way in this folder ({where or what})"
        return DoesNotFit(happened, folder, "Move it away, or give another folder with --into.")
    return DriveFailed(f"This folder cannot be written to ({what})", folder, _ANOTHER)
