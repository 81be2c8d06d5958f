"""The calls of Windows that a transfer needs, behind one small interface; the real ones by ctypes.

Names, arguments and sizes are those of Microsoft's documents and headers. Every method raises OSError
with the errno that `windows_errors` gives the code. Handles are plain integers.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import mmap
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from transfer.engine.medium.base import FREE_UNKNOWN
from transfer.engine.medium.windows.errors import os_error, translated
from transfer.engine.medium.windows.openings import FILE_ATTRIBUTE_DIRECTORY, Opening, leads_elsewhere
from transfer.engine.medium.windows.signatures import (
    SIGNATURES,
    FileInformation,
    FileTime,
    Overlapped,
)

# What only Windows has of these modules has types only there.
_ctypes: Any = ctypes
_O_BINARY: int = getattr(os, "O_BINARY", 0x8000)
_O_NOINHERIT: int = getattr(os, "O_NOINHERIT", 0x80)

_INVALID_HANDLE = ctypes.c_void_p(-1).value
_MOVEFILE_REPLACE_EXISTING = 1
_MOVEFILE_WRITE_THROUGH = 8
_LOCKFILE_FAIL_IMMEDIATELY = 1
_LOCKFILE_EXCLUSIVE_LOCK = 2
_SEM_FAILCRITICALERRORS = 1
_VOLUME_NAME_GUID = 1
_FILE_DISPOSITION_INFO = 4  # FileDispositionInfo of FILE_INFO_BY_HANDLE_CLASS; from memory of minwinbase.h
_LONGEST_PATH = 32_768  # UTF-16 units, with the zero at the end


@dataclass(frozen=True, slots=True)
class Identity:
    """What Windows knows an open file by."""

    volume_serial: int
    index: int


@dataclass(frozen=True, slots=True)
class HandleFacts:
    """What an open handle leads to."""

    identity: Identity
    size_bytes: int
    is_folder: bool


class WindowsCalls(Protocol):
    """What is asked of Windows."""

    def open(self, path: str, how: Opening) -> int:
        """CreateFileW."""

    def reopen(self, handle: int, how: Opening) -> int:
        """ReOpenFile: open what a handle leads to once more."""

    def close(self, handle: int) -> None:
        """CloseHandle."""

    def facts(self, handle: int) -> HandleFacts:
        """GetFileInformationByHandle."""

    def read(self, handle: int, buffer: mmap.mmap) -> int:
        """ReadFile into the whole buffer, on from where the last read ended; gives the bytes read."""

    def flush(self, handle: int) -> None:
        """FlushFileBuffers."""

    def set_modified(self, handle: int, filetime: int) -> None:
        """SetFileTime, of the last write alone."""

    def lock(self, handle: int, offset: int) -> None:
        """LockFileEx: one byte, for nobody else, without waiting."""

    def move(self, old: str, new: str) -> None:
        """MoveFileExW, in place of what is there, written through."""

    def hard_link(self, file: str, new: str) -> None:
        """CreateHardLinkW: one more name for a file."""

    def symbolic_link(self, file: str, new: str) -> None:
        """CreateSymbolicLinkW, also for who is no administrator, where Windows lets them."""

    def remove(self, path: str) -> None:
        """DeleteFileW."""

    def remove_opened(self, handle: int) -> None:
        """SetFileInformationByHandle: the file goes when its last handle is closed."""

    def remove_folder(self, path: str) -> None:
        """RemoveDirectoryW: of an empty folder."""

    def make_folder(self, path: str) -> None:
        """CreateDirectoryW."""

    def stat(self, path: str) -> os.stat_result:
        """Look at a file or folder, at a link itself."""

    def names(self, path: str) -> list[tuple[str, bool]]:
        """List a folder: each name, and whether it is a folder and no link to one."""

    def sizes(self, path: str) -> dict[str, int]:
        """List a folder's regular files: the size of each by its name, in bytes."""

    def final_path(self, handle: int) -> str:
        r"""GetFinalPathNameByHandleW, by the volume's own name: `\\?\Volume{…}\…`."""

    def volume_root(self, path: str) -> str:
        """GetVolumePathNameW: the root of the volume a path is on."""

    def volume_facts(self, root: str) -> tuple[int, str]:
        """GetVolumeInformationW: the serial number and the file system's name."""

    def control(self, handle: int, code: int, given: bytes = b"") -> None:
        """DeviceIoControl, of which nothing comes back."""

    def drives(self) -> int:
        """GetLogicalDrives: a bit for each letter in use."""

    def drive_type(self, root: str) -> int:
        """GetDriveTypeW."""

    def free_bytes(self, root: str) -> int:
        """GetDiskFreeSpaceExW, for this user."""

    def sector_bytes(self, root: str) -> int:
        """GetDiskFreeSpaceW: the size of a sector."""

    def descriptor(self, handle: int, *, writable: bool) -> int:
        """Make a C descriptor of a handle; closing it closes the handle."""

    def handle(self, descriptor: int) -> int:
        """Return the handle of a C descriptor."""

    def pause(self, seconds: float) -> None:
        """Wait."""


class SystemCalls:
    """The calls themselves: of kernel32 and, for descriptors, of the C runtime."""

    def __init__(
        self, library: Any = None, last_error: Callable[[], int] | None = None, runtime: Any = None
    ) -> None:
        self._kernel = library or _kernel32()
        self._last_error: Callable[[], int] = last_error or _ctypes.get_last_error
        self._runtime = runtime or importlib.import_module("msvcrt")
        # Else Windows asks a person to put a disk into an empty card reader, and waits.
        self._kernel.SetErrorMode(_SEM_FAILCRITICALERRORS)

    def _failed(self, path: str = "") -> OSError:
        code = self._last_error()
        explain = getattr(ctypes, "FormatError", None)
        return os_error(code, explain(code) if explain else "", path)

    def _check(self, result: Any, path: str = "") -> None:
        if not result:
            raise self._failed(path)

    def open(self, path: str, how: Opening) -> int:
        handle = self._kernel.CreateFileW(path, how.access, how.share, None, how.creation, how.flags, None)
        return self._valid(handle, path)

    def reopen(self, handle: int, how: Opening) -> int:
        return self._valid(self._kernel.ReOpenFile(handle, how.access, how.share, how.flags))

    def _valid(self, handle: int | None, path: str = "") -> int:
        if handle is None or handle == _INVALID_HANDLE:
            raise self._failed(path)
        return handle

    def close(self, handle: int) -> None:
        self._check(self._kernel.CloseHandle(handle))

    def facts(self, handle: int) -> HandleFacts:
        found = FileInformation()
        self._check(self._kernel.GetFileInformationByHandle(handle, ctypes.byref(found)))
        return HandleFacts(
            Identity(found.volume_serial, found.index_high << 32 | found.index_low),
            found.size_high << 32 | found.size_low,
            bool(found.attributes & FILE_ATTRIBUTE_DIRECTORY),
        )

    def read(self, handle: int, buffer: mmap.mmap) -> int:
        taken = ctypes.c_uint32()
        start = ctypes.addressof(ctypes.c_char.from_buffer(buffer))
        self._check(self._kernel.ReadFile(handle, start, len(buffer), ctypes.byref(taken), None))
        return taken.value

    def flush(self, handle: int) -> None:
        self._check(self._kernel.FlushFileBuffers(handle))

    def set_modified(self, handle: int, filetime: int) -> None:
        moment = FileTime(filetime & 0xFFFF_FFFF, filetime >> 32)
        self._check(self._kernel.SetFileTime(handle, None, None, ctypes.byref(moment)))

    def lock(self, handle: int, offset: int) -> None:
        flags = _LOCKFILE_FAIL_IMMEDIATELY | _LOCKFILE_EXCLUSIVE_LOCK
        where = Overlapped(offset=offset & 0xFFFF_FFFF, offset_high=offset >> 32)
        self._check(self._kernel.LockFileEx(handle, flags, 0, 1, 0, ctypes.byref(where)))

    def move(self, old: str, new: str) -> None:
        flags = _MOVEFILE_REPLACE_EXISTING | _MOVEFILE_WRITE_THROUGH
        self._check(self._kernel.MoveFileExW(old, new, flags), new)

    def hard_link(self, file: str, new: str) -> None:
        with _translating():
            os.link(file, new)

    def symbolic_link(self, file: str, new: str) -> None:
        with _translating():
            os.symlink(file, new)  # noqa: PTH211 - a path is taken as it is written

    def remove(self, path: str) -> None:
        self._check(self._kernel.DeleteFileW(path), path)

    def remove_opened(self, handle: int) -> None:
        # FILE_DISPOSITION_INFO is one byte: whether to delete.
        yes = ctypes.c_ubyte(1)
        removed = self._kernel.SetFileInformationByHandle(
            handle, _FILE_DISPOSITION_INFO, ctypes.byref(yes), ctypes.sizeof(yes)
        )
        self._check(removed)

    def remove_folder(self, path: str) -> None:
        self._check(self._kernel.RemoveDirectoryW(path), path)

    def make_folder(self, path: str) -> None:
        self._check(self._kernel.CreateDirectoryW(path, None), path)

    def stat(self, path: str) -> os.stat_result:
        with _translating():
            return os.lstat(path)

    def names(self, path: str) -> list[tuple[str, bool]]:
        with _translating(), os.scandir(path) as found:
            return [(each.name, is_folder(each.stat(follow_symlinks=False))) for each in found]

    def sizes(self, path: str) -> dict[str, int]:
        with _translating(), os.scandir(path) as found:
            facts = {each.name: each.stat(follow_symlinks=False) for each in found}
        return {
            name: each.st_size
            for name, each in facts.items()
            if not is_folder(each) and not is_elsewhere(each)
        }

    def final_path(self, handle: int) -> str:
        path = ctypes.create_unicode_buffer(_LONGEST_PATH)
        self._check(self._kernel.GetFinalPathNameByHandleW(handle, path, _LONGEST_PATH, _VOLUME_NAME_GUID))
        return path.value

    def volume_root(self, path: str) -> str:
        root = ctypes.create_unicode_buffer(_LONGEST_PATH)
        self._check(self._kernel.GetVolumePathNameW(path, root, _LONGEST_PATH), path)
        return root.value

    def volume_facts(self, root: str) -> tuple[int, str]:
        serial = ctypes.c_uint32()
        name = ctypes.create_unicode_buffer(261)
        told = self._kernel.GetVolumeInformationW(root, None, 0, ctypes.byref(serial), None, None, name, 261)
        self._check(told, root)
        return serial.value, name.value

    def control(self, handle: int, code: int, given: bytes = b"") -> None:
        taken = ctypes.c_uint32()
        done = self._kernel.DeviceIoControl(
            handle, code, given or None, len(given), None, 0, ctypes.byref(taken), None
        )
        self._check(done)

    def drives(self) -> int:
        return int(self._kernel.GetLogicalDrives())

    def drive_type(self, root: str) -> int:
        return int(self._kernel.GetDriveTypeW(root))

    def free_bytes(self, root: str) -> int:
        free, size = ctypes.c_uint64(), ctypes.c_uint64()
        told = self._kernel.GetDiskFreeSpaceExW(root, ctypes.byref(free), ctypes.byref(size), None)
        self._check(told, root)
        return free.value if size.value else FREE_UNKNOWN

    def sector_bytes(self, root: str) -> int:
        numbers = [ctypes.c_uint32() for _ in range(4)]
        self._check(self._kernel.GetDiskFreeSpaceW(root, *map(ctypes.byref, numbers)), root)
        return numbers[1].value

    def descriptor(self, handle: int, *, writable: bool) -> int:
        how = os.O_WRONLY if writable else os.O_RDONLY
        return int(self._runtime.open_osfhandle(handle, how | _O_BINARY | _O_NOINHERIT))

    def handle(self, descriptor: int) -> int:
        return int(self._runtime.get_osfhandle(descriptor))

    def pause(self, seconds: float) -> None:
        time.sleep(seconds)


def is_folder(facts: os.stat_result) -> bool:
    """Return whether this is a folder, and no link or junction to one."""
    return bool(_attributes(facts) & FILE_ATTRIBUTE_DIRECTORY) and not is_elsewhere(facts)


def is_elsewhere(facts: os.stat_result) -> bool:
    """Return whether what was looked at leads elsewhere."""
    return leads_elsewhere(_attributes(facts), getattr(facts, "st_reparse_tag", 0))


def _attributes(facts: os.stat_result) -> int:
    attributes: int = getattr(facts, "st_file_attributes", 0)  # Windows alone has them
    return attributes


@contextlib.contextmanager
def _translating() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise translated(error) from error


def _kernel32() -> Any:
    library = _ctypes.WinDLL("kernel32", use_last_error=True)
    for name, (result, arguments) in SIGNATURES.items():
        function = getattr(library, name)
        function.restype, function.argtypes = result, arguments
    return library
