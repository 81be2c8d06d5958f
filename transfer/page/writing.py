"""The page's folder: every file whole or as it was, only what changed written, what is no more removed."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from manifests.bags.bag_finding import enclosing_bag
from manifests.bags.bag_reading import is_bag
from manifests.bags.paths import PAGE_FOLDER
from transfer.engine.medium import drive_is_full
from transfer.errors import ConfigurationError, DoesNotFit, DriveFailed, NightferryError, NotThere

START = "index.html"
FOLDERS = ("targets", "nights", "look")
MARK = b"nightferry page"
"""In the first line of every page, so that this program replaces and removes none but its own."""

_MARK_WITHIN = 100
_PART, _WAITING = ".part", ".next"
_DEAD_AFTER_S = 86400.0
_TRY_OUT = "Name a folder that can be written to with --out FOLDER."
_MAKE_ROOM = (
    "Make room on it and run nightferry page again, which goes on; or name another with --out FOLDER."
)
_NOT_OURS = "Name an empty folder, or one that has such a page already, with --out FOLDER."


def page_folder(root: Path, out: Path | None) -> Path:
    """Return the folder to write to, made where it is not there.

    Raises ConfigurationError where it lies in a bag or has another's start page, and NightferryError where it
    cannot be written.
    """
    folder = root / PAGE_FOLDER if out is None else out
    if is_bag(folder) or enclosing_bag(folder) is not None:
        step = "A bag holds what its manifest lists, and nothing else. Name another folder with --out FOLDER."
        raise ConfigurationError("This folder is in a bag", folder, step)
    try:
        folder.mkdir(parents=out is not None, exist_ok=True)
        _try(folder)
    except OSError as error:
        raise page_failure(error, folder, is_beside_index=out is None) from error
    if (folder / START).exists() and not _is_ours(folder / START):
        raise ConfigurationError(f"There is an {START} that nightferry did not write", folder, _NOT_OURS)
    return folder


def _try(folder: Path) -> None:
    """Write something and remove it: an existing folder may be one that nobody can write to."""
    probe = folder / f".{os.getpid()}{_PART}"
    probe.write_bytes(b"")
    probe.unlink()


def page_failure(error: OSError, folder: Path, *, is_beside_index: bool) -> NightferryError:
    """Return an error of the system at the page's folder as an end of the run."""
    why = error.strerror or str(error)
    if drive_is_full(error):
        return DoesNotFit("The disk of the page is full", folder, _MAKE_ROOM)
    if is_beside_index:
        return DriveFailed(f"The page cannot be written beside the archive's index ({why})", folder, _TRY_OUT)
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return NotThere(f"The folder cannot be made ({why})", folder, _TRY_OUT)
    return DriveFailed(f"The folder cannot be written to ({why})", folder, _TRY_OUT)


def write_whole(path: Path, content: bytes) -> None:
    """Put a file in place whole, or leave what was there; a power cut may leave it empty. Raises OSError."""
    part = _beside(path, _PART)
    _write(part, content, flushed=False)
    part.replace(path)


def _beside(path: Path, ending: str) -> Path:
    return path.with_name(f".{path.name[:80]}.{os.getpid()}{ending}")


def _write(path: Path, content: bytes, *, flushed: bool = True) -> None:
    try:
        file = path.open("wb")
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = path.open("wb")
    try:
        with file:
            file.write(content)
            if flushed:
                file.flush()
                os.fsync(file.fileno())
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def files_with_content(folder: Path) -> Iterator[str]:
    """Return the names of the files in a folder, without those that a power cut has left empty.

    What a dead run left half written is removed.
    """
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            facts = entry.stat()
            if entry.name.startswith(".") and entry.name.endswith((_PART, _WAITING)):
                if time.time() - facts.st_mtime > _DEAD_AFTER_S:
                    with suppress(OSError):
                        (folder / entry.name).unlink()
            elif facts.st_size:
                yield entry.name


class PageWriter:
    """Writes pages so that whenever the run ends, the start leads to whole pages alone.

    All wait beside the old ones until the last is written. Then the new ones take their places, to which
    nothing leads yet; then those that changed; then the start. Only then are pages removed that are no more.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._there = {
            *files_with_content(folder),
            *(f"{below}/{name}" for below in FOLDERS for name in files_with_content(folder / below)),
        }
        self._now: set[str] = set()
        self._waiting: dict[str, Path] = {}
        self.written = 0

    def put(self, name: str, content: bytes) -> None:
        """Put a page, by its path below the folder, to wait for its place.

        Raises OSError, and ConfigurationError where another's file has its name.
        """
        assert MARK in content[:_MARK_WITHIN]
        self._now.add(name)
        path = self._folder / name
        there = path.read_bytes() if name in self._there else b""
        if there and MARK not in there[:_MARK_WITHIN]:
            raise ConfigurationError(
                "A file has the name of a page, and nightferry did not write it", path, _NOT_OURS
            )
        if there != content:
            self._waiting[name] = _beside(path, _WAITING)
            _write(self._waiting[name], content)
            self.written += 1

    def finish(self) -> None:
        """Let the pages take their places, and remove what is no more. Raises OSError."""
        for name in sorted(self._waiting, key=lambda each: (each == START, each in self._there)):
            self._waiting[name].replace(self._folder / name)
        self._waiting.clear()
        for name in self._there - self._now:
            if name.startswith(tuple(f"{below}/" for below in FOLDERS)) and _is_ours(self._folder / name):
                with suppress(OSError):
                    (self._folder / name).unlink()

    def abandon(self) -> None:
        """Leave the old pages as they are."""
        for waiting in self._waiting.values():
            with suppress(OSError):
                waiting.unlink()


def _is_ours(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return MARK in file.read(_MARK_WITHIN)
    except OSError:
        return False
