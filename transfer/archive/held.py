"""The archive found, begun where there is none, and held by one run at a time on any computer."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from manifests.bags.containment import read_small
from manifests.bags.stored_names import portable_path
from transfer.archive.mark import (
    MARK_AT_MOST_BYTES,
    MARK_NAME,
    ArchiveMark,
    mark_text,
    new_mark,
    parse_mark,
    write_first_mark,
)
from transfer.engine.limits import FileSystemLimits, limits_of
from transfer.engine.medium import Medium, PinnedFolder, drive_is_full
from transfer.engine.medium.networks import is_on_a_network
from transfer.engine.surroundings import Surroundings
from transfer.errors import Busy, DoesNotFit, DriveFailed, NightferryError, NotThere, StoppedEarly
from transfer.events import Waiting

_LOOK_S = 1.0
# Who may not write, and where nobody may.
_PROTECTED = frozenset((errno.EROFS, errno.EACCES, errno.EPERM))
_TRY_AGAIN = "Wait for it to end, then do this again."


class ArchiveAway(NotThere):
    """The disk or share that an archive is on is not here: no fault of the archive."""


@dataclass(frozen=True, slots=True)
class OpenArchive:
    """An archive held open for one run: everything is written below the pinned `folder`.

    `on_network`: other computers may have it open. `limits` is what its file system can hold, where that
    is known.
    """

    root: Path
    mark: ArchiveMark
    folder: PinnedFolder
    limits: FileSystemLimits | None
    on_network: bool


def archive_failure(error: OSError, root: Path) -> NightferryError:
    """Return an error of the system at the archive as an end of the run."""
    if drive_is_full(error):
        return DoesNotFit("The archive's disk is full", root, "Make room on it, then do this again.")
    if error.errno in _PROTECTED:
        step = "See that this user may write to it, then do this again."
        return DriveFailed(f"The archive cannot be written to ({error.strerror})", root, step)
    step = "What is in its bags' manifests is proven; see to the disk, then do this again."
    return DriveFailed(f"The archive failed ({error.strerror or error})", root, step)


def read_archive_mark(root: Path) -> ArchiveMark | None:
    """Read the mark of the archive in a folder; None where no archive was begun there.

    Raises NotThere where the folder is not there, and where its mark can't be read as one.
    """
    try:
        if not os.path.isdir(root):  # noqa: PTH112 - a Path's raises where a driver in user space has died
            step = "Connect and mount what it is on. nightferry makes no folder for an archive by itself."
            raise ArchiveAway("The archive's folder is not there", root, step)
        mark = parse_mark(read_small(root / MARK_NAME, MARK_AT_MOST_BYTES))
    except FileNotFoundError:
        return None
    except OSError as error:
        happened = f"The archive cannot be opened ({error.strerror or error})"
        raise NotThere(happened, root, "Look at its disk, then do this again.") from error
    if mark is None:
        raise NotThere("This is not the mark of an archive any more", root / MARK_NAME, "Put its copy back.")
    return mark


@contextmanager
def held_archive(
    root: Path, around: Surroundings, *, wait_s: float, begin_anew: bool = False
) -> Iterator[OpenArchive]:
    """Hold the archive in a folder that exists; begin one where there is none yet.

    Where another run has it, waits for at most `wait_s` seconds. Raises NotThere, Busy, StoppedEarly,
    DoesNotFit, DriveFailed. A folder in which this computer has known an archive, and that has no mark
    now, is most likely a share that did not mount: NotThere, unless `begin_anew` says otherwise.
    """
    mark = _mark_wanted(root, around, begin_anew=begin_anew) or _begun(root, around)
    with _turn(root, around, wait_s):
        folder = _pinned(root, mark, around.medium)
        try:
            around.records.keep_archive(root, mark.id)
            around.records.remove_dead_parts()
            yield _archive(root, mark, folder, around.medium)
        finally:
            folder.close()


@contextmanager
def looked_at_archive(root: Path, around: Surroundings, *, begin_anew: bool = False) -> Iterator[OpenArchive]:
    """Look at the archive without holding it or beginning one: nothing is written.

    Raises NotThere and DriveFailed.
    """
    mark = _mark_wanted(root, around, begin_anew=begin_anew)
    folder = _held_open(root, around.medium)
    try:
        yield _archive(root, mark or new_mark(root.name, around.clock()), folder, around.medium)
    finally:
        folder.close()


def _mark_wanted(root: Path, around: Surroundings, *, begin_anew: bool) -> ArchiveMark | None:
    mark = read_archive_mark(root)
    if mark is None and around.records.archive_at(root) is not None and not begin_anew:
        happened = f"There was an archive in this folder, and now it has no {MARK_NAME}"
        step = "Is its disk or share mounted? To begin another one here: nightferry file --new-archive"
        raise ArchiveAway(happened, root, step)
    return mark


def _archive(root: Path, mark: ArchiveMark, folder: PinnedFolder, medium: Medium) -> OpenArchive:
    try:
        file_system = medium.volume_of(root).file_system
    except OSError as error:
        raise archive_failure(error, root) from error
    return OpenArchive(root, mark, folder, limits_of(file_system), is_on_a_network(root, file_system))


def _begun(root: Path, around: Surroundings) -> ArchiveMark:
    mark = new_mark(portable_path(root.resolve().name), around.clock())
    try:
        folder = around.medium.pin(root)
        try:
            write_first_mark(folder, mark_text(mark).encode("utf-8"))
        finally:
            folder.close()
    except OSError as error:
        raise archive_failure(error, root) from error
    # Another computer may have begun it at the same moment.
    return read_archive_mark(root) or mark


def _held_open(root: Path, medium: Medium) -> PinnedFolder:
    try:
        return medium.pin(root)
    except OSError as error:
        raise archive_failure(error, root) from error


def _pinned(root: Path, mark: ArchiveMark, medium: Medium) -> PinnedFolder:
    """Pin the folder, and make sure that it is the one whose mark was read and locked."""
    folder = _held_open(root, medium)
    try:
        with os.fdopen(folder.open_file(MARK_NAME), "rb") as file:
            here = parse_mark(file.read(MARK_AT_MOST_BYTES))
    except OSError:
        here = None
    if here is None or here.id != mark.id:
        folder.close()
        raise NotThere("The archive left while it was being opened", root, "Mount it, then do this again.")
    return folder


@contextmanager
def _turn(root: Path, around: Surroundings, wait_s: float) -> Iterator[None]:
    """Take the lock on the archive's mark, waiting for whoever has it."""
    until = time.monotonic() + wait_s
    lock = _lock(root, around.medium)
    if lock is None:
        around.listen(Waiting("Another run is at work on this archive", wait_s))
    while lock is None:
        if around.stop.why:
            raise StoppedEarly(f"Ended while it waited for its turn: {around.stop.why}", root)
        if time.monotonic() >= until:
            raise Busy("Another run is at work on this archive", root, _TRY_AGAIN)
        around.stop.pause(min(_LOOK_S, max(until - time.monotonic(), 0.0)))
        lock = _lock(root, around.medium)
    try:
        yield
    finally:
        with suppress(OSError):  # a share that has left may complain; the lock is gone all the same
            os.close(lock)


def _lock(root: Path, medium: Medium) -> int | None:
    """Lock the mark that stands there: one that was replaced meanwhile locks nobody out."""
    try:
        lock = medium.lock(root / MARK_NAME)
        if lock is None:
            return None
        mine, there = os.fstat(lock), (root / MARK_NAME).stat()
    except OSError as error:
        step = "Two computers take turns by this lock. Mount the share with locks, then do this again."
        raise DriveFailed(f"The archive cannot be locked ({error.strerror})", root, step) from error
    if (mine.st_dev, mine.st_ino) != (there.st_dev, there.st_ino):
        os.close(lock)
        return None
    return lock
