"""Windows: folders held open, flushes and renames written through, reads past the cache.

Follows Microsoft's documents; run under Wine and tried against recorded answers, not on Windows itself.
How files are opened, named and judged is decided in `openings`, `paths` and `errors`; what is asked of
the system goes through `calls`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from transfer.engine.medium.base import ColdGroup, Medium, PinnedFolder, SizeAndTimesNs, Volume
from transfer.engine.medium.windows import openings
from transfer.engine.medium.windows.calls import (
    Identity,
    SizeAndTimes,
    SystemCalls,
    WindowsCalls,
    is_elsewhere,
)
from transfer.engine.medium.windows.cold import WindowsColdGroup
from transfer.engine.medium.windows.errors import is_locked
from transfer.engine.medium.windows.held import HeldFolder, HeldFolders
from transfer.engine.medium.windows.openings import Opening
from transfer.engine.medium.windows.paths import below, drive_roots, extended, serial_text

# Common practice: what scans or indexes a file that was just written lets go of it soon.
_PAUSES_S = (0.02, 0.05, 0.1, 0.2, 0.4)
_MAY_PASS = (errno.EBUSY, errno.EACCES)

# What says that a folder cannot be flushed here, rather than that its flush failed.
_NO_FOLDER_FLUSH = (errno.EACCES, errno.ENOTSUP, errno.EINVAL)

_STEP_NS = 100
_EPOCH_1601 = 116_444_736_000_000_000  # 1970, in steps of 100 ns since 1601
_LOCKED_BYTE = 1 << 62  # behind the end of any file: its content stays readable to all


class WindowsFolder(PinnedFolder):
    """A folder held open, with the folders below it.

    Files are opened in the held folders themselves. What is done by a path is done only after the path was
    looked at again.
    """

    def __init__(self, path: Path, calls: WindowsCalls) -> None:
        self.path = path
        self._calls = calls
        self._held = HeldFolders(calls, extended(str(path)))
        self._volume = calls.volume_root(str(path))

    def _make_sure(self) -> None:
        """Make sure that the pinned folder is where it was."""
        if _identity(self._calls, self._held.path) != self._held.identity:
            raise OSError(errno.ENODEV, "the drive has left", str(self.path))

    @contextlib.contextmanager
    def _explaining(self) -> Iterator[None]:
        """Distinguish a file that is missing or fails from a drive that left: Windows reports both alike.

        An error names a path as a person wrote it, not by the volume's own name.
        """
        try:
            yield
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.EIO):
                self._make_sure()
            named, own = error.filename, self._held.path
            if not isinstance(named, str) or not named.startswith(own):
                raise
            written = str(self.path).rstrip("\\") + "\\" + named[len(own) :].lstrip("\\")
            raise OSError(error.errno, error.strerror, written) from error

    def _within(self, path: str) -> tuple[HeldFolder, str]:
        """Return the whole path of a file, and its folder, to be held while something is done with it."""
        return self._held.hold(path.rpartition("/")[0]), below(self._held.path, path)

    def create_file(self, path: str) -> int:
        with self._explaining():
            held, whole = self._within(path)
            handle = self._calls.open_in(held.handle, whole, openings.NEW_FILE)
            return _descriptor(self._calls, handle, writable=True)

    def extend_file(self, path: str) -> int:
        handle, _size_bytes = self._open(path, openings.FILE_TO_EXTEND)
        descriptor = _descriptor(self._calls, handle, writable=True)
        os.lseek(descriptor, 0, os.SEEK_END)
        return descriptor

    def open_file(self, path: str) -> int:
        return _descriptor(self._calls, self._open(path, openings.FILE_TO_READ)[0], writable=False)

    def _open(self, path: str, how: Opening) -> tuple[int, int]:
        """Open a file in its folder, following no link; return its handle and its size in bytes.

        What is stored in another way than usual, as links are, is looked at before it is opened as what it
        stands for.
        """
        as_it_is = replace(how, flags=how.flags | openings.FILE_FLAG_OPEN_REPARSE_POINT)
        with self._explaining():
            held, whole = self._within(path)
            handle, facts = self._open_with_facts(held, whole, as_it_is)
            if facts.may_be_a_link:
                self._calls.close(handle)
                if is_elsewhere(self._calls.stat(whole)):
                    raise OSError(errno.ELOOP, "not a regular file but a link", path)
                handle, facts = self._open_with_facts(held, whole, how)
            return handle, facts.size_bytes

    def _open_with_facts(self, held: HeldFolder, whole: str, how: Opening) -> tuple[int, SizeAndTimes]:
        handle = self._calls.open_in(held.handle, whole, how)
        try:
            return handle, self._calls.size_and_times(handle)
        except OSError:
            self._calls.close(handle)
            raise

    def replace(self, old: str, new: str) -> None:
        self._make_sure()
        self._held.let_go(old)  # Windows renames no folder that is held open
        with self._explaining():
            (_from_held, from_path), (_to_held, to_path) = self._within(old), self._within(new)
            _patiently(self._calls, lambda: self._calls.move(from_path, to_path))

    def give_name(self, old: str, new: str) -> bool:
        # By its volume's own name, and held, the folder is at no other place than it was: only a path by
        # a letter or a share has to be looked at again.
        if not self._held.has_own_name:
            self._make_sure()
        try:
            with self._explaining():
                (_from_held, from_path), (_to_held, to_path) = self._within(old), self._within(new)
                _patiently(self._calls, lambda: self._calls.move(from_path, to_path, replacing=False))
        except FileExistsError:
            return False
        return True

    def hard_link(self, file: Path, path: str) -> None:
        self._make_sure()
        with self._explaining():
            _held, whole = self._within(path)
            self._calls.hard_link(extended(str(file)), whole)

    def symbolic_link(self, file: Path, path: str) -> None:
        self._make_sure()
        with self._explaining():
            _held, whole = self._within(path)
            self._calls.symbolic_link(extended(str(file)), whole)

    def remove(self, path: str) -> None:
        with self._explaining():
            _held, whole = self._within(path)
            _patiently(self._calls, lambda: self._calls.remove(whole))

    def open_to_remove(self, path: str) -> int:
        self._make_sure()
        return _descriptor(self._calls, self._open(path, openings.FILE_TO_REMOVE)[0], writable=False)

    def remove_opened(self, descriptor: int, path: str) -> None:  # noqa: ARG002 - the handle says which
        self._calls.remove_opened(self._calls.handle(descriptor))

    def remove_folder(self, path: str) -> None:
        self._make_sure()
        self._held.let_go(path)
        with self._explaining():
            _held, whole = self._within(path)
            _patiently(self._calls, lambda: self._calls.remove_folder(whole))

    def make_folders(self, path: str) -> set[str]:
        changed: set[str] = set()
        if not path or self._held.holds(path):
            return changed
        self._make_sure()
        above = ""
        for name in path.split("/"):
            here = f"{above}/{name}" if above else name
            with contextlib.suppress(FileExistsError), self._explaining():
                _held, whole = self._within(here)
                self._calls.make_folder(whole)
                changed.add(above)
            above = here
        return changed

    def stat(self, path: str) -> os.stat_result | None:
        try:
            with self._explaining():
                _held, whole = self._within(path)
                return self._calls.stat(whole)
        except (FileNotFoundError, NotADirectoryError):
            return None

    def names(self, path: str) -> list[tuple[str, bool]]:
        try:
            with self._explaining():
                held = self._held.hold(path)
                return sorted(self._calls.names(held.path))
        except (FileNotFoundError, NotADirectoryError):
            return []

    def sizes(self, path: str) -> dict[str, int]:
        try:
            with self._explaining():
                held = self._held.hold(path)
                return self._calls.sizes(held.path)
        except (FileNotFoundError, NotADirectoryError):
            return {}

    def start_writing(self, descriptor: int) -> None:
        """Windows begins by itself and offers no call to hurry it."""

    def flush_files(self, descriptors: Sequence[int]) -> None:
        for descriptor in descriptors:
            self._calls.flush(self._calls.handle(descriptor))

    def flush_folders(self, paths: Sequence[str]) -> None:
        for path in paths:
            # Renames were written through; where folders can be flushed as well, they are.
            with self._explaining(), _unless(*_NO_FOLDER_FLUSH):
                held = self._held.hold(path)
                self._flush(self._calls.open(held.path, openings.FOLDER_TO_FLUSH))

    def _flush(self, handle: int) -> None:
        try:
            self._calls.flush(handle)
        finally:
            self._calls.close(handle)

    def set_modified(self, descriptor: int, modified_ns: int) -> None:
        # FAT holds no time before 1980. A time is never an identity: the file keeps the one it has.
        with _unless(errno.EINVAL):
            filetime = modified_ns // _STEP_NS + _EPOCH_1601
            self._calls.set_modified(self._calls.handle(descriptor), filetime)

    def free_bytes(self) -> int:
        with self._explaining():
            return self._calls.free_bytes(self._volume)

    def still_there(self) -> bool:
        return _identity(self._calls, extended(str(self.path))) == self._held.identity

    def chill(self) -> None:
        """There is no cache to empty that an unbuffered read would ask."""

    def cold(self, paths: Sequence[str]) -> ColdGroup:  # noqa: ARG002 - nothing is to be done beforehand
        return WindowsColdGroup(self._calls, self._open, self._volume)

    def close(self) -> None:
        self._held.close()


def _identity(calls: WindowsCalls, path: str) -> Identity | None:
    """Return what a folder is known by; None where nothing can be opened there."""
    try:
        handle = calls.open(path, openings.PINNED_FOLDER)
    except OSError:
        return None
    try:
        return calls.facts(handle).identity
    except OSError:
        return None
    finally:
        calls.close(handle)


def _patiently(calls: WindowsCalls, act: Callable[[], None]) -> None:
    """Do what another program may be in the way of for a moment."""
    for pause_s in _PAUSES_S:
        try:
            return act()
        except OSError as error:
            if error.errno not in _MAY_PASS:
                raise
        calls.pause(pause_s)
    return act()


def _ns(filetime: int) -> int:
    return (filetime - _EPOCH_1601) * _STEP_NS


def _descriptor(calls: WindowsCalls, handle: int, *, writable: bool) -> int:
    try:
        return calls.descriptor(handle, writable=writable)
    except OSError:
        calls.close(handle)
        raise


@contextlib.contextmanager
def _unless(*codes: int) -> Iterator[None]:
    """Ignore errors of these kinds."""
    try:
        yield
    except OSError as error:
        if error.errno not in codes:
            raise


class WindowsMedium(Medium):
    """Windows. `calls` stands for the system where there is none."""

    def __init__(self, calls: WindowsCalls | None = None) -> None:
        self._calls: WindowsCalls = SystemCalls() if calls is None else calls

    def volumes(self) -> list[Volume]:
        found = []
        for root in drive_roots(self._calls.drives()):
            if self._calls.drive_type(root) in (openings.DRIVE_REMOVABLE, openings.DRIVE_FIXED):
                # An empty card reader has a letter and no volume.
                with contextlib.suppress(OSError):
                    found.append(self._volume(root))
        return found

    def volume_of(self, path: Path) -> Volume:
        return self._volume(self._calls.volume_root(str(path)))

    def system_volume(self) -> Volume:
        drive = os.environ.get("SYSTEMDRIVE", "C:")  # set by Windows itself
        return self._volume(f"{drive}\\")

    def _volume(self, root: str) -> Volume:
        serial, file_system = self._calls.volume_facts(root)
        return Volume(Path(root), file_system, serial_text(serial))

    def pin(self, path: Path) -> PinnedFolder:
        return WindowsFolder(path, self._calls)

    def lock(self, path: Path) -> int | None:
        handle = self._open_to_lock(extended(str(path)))
        try:
            self._calls.lock(handle, _LOCKED_BYTE)
        except OSError as error:
            self._calls.close(handle)
            if error.errno == errno.EBUSY:
                return None
            raise
        return _descriptor(self._calls, handle, writable=False)

    def _open_to_lock(self, path: str) -> int:
        """Open for writing where that is allowed: some servers lock nothing less."""
        try:
            return self._calls.open(path, openings.LOCK)
        except OSError as error:
            if error.errno not in (errno.EACCES, errno.EROFS):
                raise
            return self._calls.open(path, openings.LOCK_READ_ONLY)

    def open_source(self, path: str) -> int:
        return _descriptor(self._calls, self._calls.open(extended(path), openings.SOURCE), writable=False)

    def size_and_times(self, descriptor: int) -> SizeAndTimesNs:
        found = self._calls.size_and_times(self._calls.handle(descriptor))
        return SizeAndTimesNs(found.size_bytes, _ns(found.modified), _ns(found.created))

    def is_being_written(self, descriptor: int) -> bool | None:
        try:
            handle = self._calls.reopen(self._calls.handle(descriptor), openings.ALONE_WITH_READERS)
        except OSError as error:
            return True if error.errno == errno.EBUSY else None
        self._calls.close(handle)
        return False

    @contextlib.contextmanager
    def alone_with(self, descriptor: int) -> Iterator[bool | None]:  # noqa: ARG002 - see FILE_TO_REMOVE
        """Windows opened the file for removal only because no other program writes to it, or may."""
        yield True

    def eject(self, root: Path) -> None:
        """Lock, dismount, eject: Microsoft's "How to eject removable media", article Q165721, from memory."""
        letter = re.fullmatch(r"([A-Za-z]):\\", str(root))
        if letter is None:
            raise OSError(errno.EINVAL, "it is no drive with a letter of its own", str(root))
        if root == self.system_volume().root:
            raise OSError(errno.EBUSY, "the system runs from it", str(root))
        handle = self._calls.open(f"\\\\.\\{letter[1]}:", openings.WHOLE_VOLUME)
        try:
            _patiently(self._calls, lambda: self._calls.control(handle, openings.LOCK_VOLUME))
            self._calls.control(handle, openings.DISMOUNT_VOLUME)
            self._calls.control(handle, openings.MEDIA_REMOVAL, b"\0")  # which is not prevented any more
            self._calls.control(handle, openings.EJECT_MEDIA)
        finally:
            self._calls.close(handle)

    def is_locked(self, error: OSError) -> bool:
        return is_locked(error)
