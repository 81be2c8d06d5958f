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
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from transfer.engine.medium.base import FREE_UNKNOWN
from transfer.engine.medium.windows.errors import os_error, translated
from transfer.engine.medium.windows.openings import (
    FILE_ATTRIBUTE_DIRECTORY,
    FILE_ATTRIBUTE_REPARSE_POINT,
    Opening,
    leads_elsewhere,
    native,
)
from transfer.engine.medium.windows.signatures import (
    NATIVE_SIGNATURES,
    SIGNATURES,
    BasicInfo,
    FileInformation,
    FileTime,
    IoStatus,
    ObjectAttributes,
    Overlapped,
    StandardInfo,
    UnicodeString,
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
# Of FILE_INFO_BY_HANDLE_CLASS; from memory of minwinbase.h.
_FILE_BASIC_INFO = 0
_FILE_STANDARD_INFO = 1
_FILE_DISPOSITION_INFO = 4
_LONGEST_PATH = 32_768  # UTF-16 units, with the zero at the end
_OBJ_CASE_INSENSITIVE = 0x40
_FILE_ATTRIBUTE_NORMAL = 0x80


@dataclass(frozen=True, slots=True)
class Identity:
    """What Windows knows an open file by."""

    volume_serial: int
    index: int


@dataclass(frozen=True, slots=True)
class HandleFacts:
    """What an open handle leads to."""

    identity: Identity
    attributes: int

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder."""
        return bool(self.attributes & FILE_ATTRIBUTE_DIRECTORY)

    @property
    def may_be_a_link(self) -> bool:
        """Whether it is stored in another way than usual, of which a link is one: `stat` says which."""
        return bool(self.attributes & FILE_ATTRIBUTE_REPARSE_POINT)


@dataclass(frozen=True, slots=True)
class SizeAndTimes:
    """What is asked of each file: its size, its times in steps of 100 ns since 1601, its attributes."""

    size_bytes: int
    modified: int
    created: int
    attributes: int

    @property
    def may_be_a_link(self) -> bool:
        """Whether it is stored in another way than usual, of which a link is one: `stat` says which."""
        return bool(self.attributes & FILE_ATTRIBUTE_REPARSE_POINT)


class WindowsCalls(Protocol):
    """What is asked of Windows."""

    def open(self, path: str, how: Opening) -> int:
        """CreateFileW."""

    def open_in(self, folder: int, path: str, how: Opening) -> int:
        """NtCreateFile: open a file by its name in an open folder, wherever the path before it leads."""

    def reopen(self, handle: int, how: Opening) -> int:
        """ReOpenFile: open what a handle leads to once more."""

    def close(self, handle: int) -> None:
        """CloseHandle."""

    def facts(self, handle: int) -> HandleFacts:
        """GetFileInformationByHandle: what a handle is known by."""

    def size_and_times(self, handle: int) -> SizeAndTimes:
        """GetFileInformationByHandleEx: it takes no look at the volume, and so a fraction of the time."""

    def read(self, handle: int, buffer: mmap.mmap) -> int:
        """ReadFile into the whole buffer, on from where the last read ended; gives the bytes read."""

    def flush(self, handle: int) -> None:
        """FlushFileBuffers."""

    def set_modified(self, handle: int, filetime: int) -> None:
        """SetFileTime, of the last write alone."""

    def lock(self, handle: int, offset: int) -> None:
        """LockFileEx: one byte, for nobody else, without waiting."""

    def move(self, old: str, new: str, *, replacing: bool = True) -> None:
        """MoveFileExW, written through; in place of what is there only where `replacing` says so."""

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
    """The calls themselves: of kernel32 and ntdll and, for descriptors, of the C runtime."""

    def __init__(
        self,
        library: Any = None,
        last_error: Callable[[], int] | None = None,
        runtime: Any = None,
        native_library: Any = None,
    ) -> None:
        self._kernel = library or _library("kernel32", SIGNATURES)
        self._native = native_library or library or _library("ntdll", NATIVE_SIGNATURES)
        self._last_error: Callable[[], int] = last_error or _ctypes.get_last_error
        self._runtime = runtime or importlib.import_module("msvcrt")
        # Else Windows asks a person to put a disk into an empty card reader, and waits.
        self._kernel.SetErrorMode(_SEM_FAILCRITICALERRORS)

    def _failed(self, path: str = "") -> OSError:
        return self._error(self._last_error(), path)

    @staticmethod
    def _error(code: int, path: str) -> OSError:
        explain = getattr(ctypes, "FormatError", None)
        return os_error(code, explain(code) if explain else "", path)

    def _check(self, result: Any, path: str = "") -> None:
        if not result:
            raise self._failed(path)

    def open(self, path: str, how: Opening) -> int:
        handle = self._kernel.CreateFileW(path, how.access, how.share, None, how.creation, how.flags, None)
        return self._valid(handle, path)

    def open_in(self, folder: int, path: str, how: Opening) -> int:
        text = ctypes.create_string_buffer(path.rpartition("\\")[2].encode("utf-16-le"))
        length = len(text) - 1
        named = UnicodeString(length, length, ctypes.addressof(text))
        where = ObjectAttributes(
            ctypes.sizeof(ObjectAttributes), folder, ctypes.pointer(named), _OBJ_CASE_INSENSITIVE
        )
        handle, done, asked = ctypes.c_void_p(), IoStatus(), native(how)
        status = self._native.NtCreateFile(
            ctypes.byref(handle), asked.access, ctypes.byref(where), ctypes.byref(done), None,
            _FILE_ATTRIBUTE_NORMAL, how.share, asked.disposition, asked.options, None, 0,
        )  # fmt: skip
        if status >> 31:  # NT_ERROR and NT_WARNING of ntdef.h
            raise self._error(self._native.RtlNtStatusToDosError(status), path)
        return int(handle.value or 0)

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
            Identity(found.volume_serial, found.index_high << 32 | found.index_low), found.attributes
        )

    def size_and_times(self, handle: int) -> SizeAndTimes:
        basic, standard = BasicInfo(), StandardInfo()
        for kind, found in ((_FILE_BASIC_INFO, basic), (_FILE_STANDARD_INFO, standard)):
            answered = self._kernel.GetFileInformationByHandleEx(
                handle, kind, ctypes.byref(found), ctypes.sizeof(found)
            )
            self._check(answered)
        return SizeAndTimes(standard.size_bytes, basic.modified, basic.created, basic.attributes)

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

    def move(self, old: str, new: str, *, replacing: bool = True) -> None:
        flags = _MOVEFILE_WRITE_THROUGH | (_MOVEFILE_REPLACE_EXISTING if replacing else 0)
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


def _library(name: str, signatures: Mapping[str, tuple[Any, tuple[Any, ...]]]) -> Any:
    library = _ctypes.WinDLL(name, use_last_error=True)
    for function_name, (result, arguments) in signatures.items():
        function = getattr(library, function_name)
        function.restype, function.argtypes = result, arguments
    return library
