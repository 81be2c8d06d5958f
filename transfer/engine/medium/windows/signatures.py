"""What the calls of kernel32 take and give, with the sizes of Microsoft's headers on any system.

`ctypes.wintypes` is not used: its DWORD has eight bytes on Linux and macOS, where the tests run.
"""

from __future__ import annotations

import ctypes
from typing import Any

_BOOL = ctypes.c_int32
_DWORD = ctypes.c_uint32
_HANDLE = ctypes.c_void_p
_TEXT = ctypes.c_wchar_p
_ADDRESS = ctypes.c_void_p


class FileTime(ctypes.Structure):
    """FILETIME: steps of 100 ns since 1601, in UTC."""

    _fields_ = (("low", _DWORD), ("high", _DWORD))


class FileInformation(ctypes.Structure):
    """BY_HANDLE_FILE_INFORMATION."""

    _fields_ = (
        ("attributes", _DWORD),
        ("created", FileTime),
        ("accessed", FileTime),
        ("modified", FileTime),
        ("volume_serial", _DWORD),
        ("size_high", _DWORD),
        ("size_low", _DWORD),
        ("links", _DWORD),
        ("index_high", _DWORD),
        ("index_low", _DWORD),
    )


class BasicInfo(ctypes.Structure):
    """FILE_BASIC_INFO; each time as FILETIME in one number."""

    _fields_ = (
        ("created", ctypes.c_int64),
        ("accessed", ctypes.c_int64),
        ("modified", ctypes.c_int64),
        ("changed", ctypes.c_int64),
        ("attributes", _DWORD),
    )


class StandardInfo(ctypes.Structure):
    """FILE_STANDARD_INFO."""

    _fields_ = (
        ("allocated_bytes", ctypes.c_int64),
        ("size_bytes", ctypes.c_int64),
        ("links", _DWORD),
        ("delete_pending", ctypes.c_ubyte),
        ("is_folder", ctypes.c_ubyte),
    )


class Overlapped(ctypes.Structure):
    """OVERLAPPED."""

    _fields_ = (
        ("internal", ctypes.c_size_t),
        ("internal_high", ctypes.c_size_t),
        ("offset", _DWORD),
        ("offset_high", _DWORD),
        ("event", _HANDLE),
    )


class UnicodeString(ctypes.Structure):
    """UNICODE_STRING: lengths in bytes."""

    _fields_ = (("length", ctypes.c_uint16), ("maximum_length", ctypes.c_uint16), ("buffer", _ADDRESS))


class ObjectAttributes(ctypes.Structure):
    """OBJECT_ATTRIBUTES."""

    _fields_ = (
        ("length", _DWORD),
        ("root", _HANDLE),
        ("name", ctypes.POINTER(UnicodeString)),
        ("attributes", _DWORD),
        ("security", _ADDRESS),
        ("quality", _ADDRESS),
    )


class IoStatus(ctypes.Structure):
    """IO_STATUS_BLOCK."""

    _fields_ = (("status", ctypes.c_size_t), ("information", ctypes.c_size_t))


_NUMBER = ctypes.POINTER(_DWORD)

# Each function's result and arguments, of kernel32.
SIGNATURES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "CreateFileW": (_HANDLE, (_TEXT, _DWORD, _DWORD, _ADDRESS, _DWORD, _DWORD, _HANDLE)),
    "ReOpenFile": (_HANDLE, (_HANDLE, _DWORD, _DWORD, _DWORD)),
    "CloseHandle": (_BOOL, (_HANDLE,)),
    "GetFileInformationByHandle": (_BOOL, (_HANDLE, ctypes.POINTER(FileInformation))),
    "GetFileInformationByHandleEx": (_BOOL, (_HANDLE, ctypes.c_int32, _ADDRESS, _DWORD)),
    "ReadFile": (_BOOL, (_HANDLE, _ADDRESS, _DWORD, _NUMBER, _ADDRESS)),
    "FlushFileBuffers": (_BOOL, (_HANDLE,)),
    "SetFileTime": (_BOOL, (_HANDLE, *[ctypes.POINTER(FileTime)] * 3)),
    "LockFileEx": (_BOOL, (_HANDLE, _DWORD, _DWORD, _DWORD, _DWORD, ctypes.POINTER(Overlapped))),
    "MoveFileExW": (_BOOL, (_TEXT, _TEXT, _DWORD)),
    "DeleteFileW": (_BOOL, (_TEXT,)),
    "RemoveDirectoryW": (_BOOL, (_TEXT,)),
    "SetFileInformationByHandle": (_BOOL, (_HANDLE, ctypes.c_int32, _ADDRESS, _DWORD)),
    "CreateDirectoryW": (_BOOL, (_TEXT, _ADDRESS)),
    "GetFinalPathNameByHandleW": (_DWORD, (_HANDLE, _ADDRESS, _DWORD, _DWORD)),
    "GetVolumePathNameW": (_BOOL, (_TEXT, _ADDRESS, _DWORD)),
    "GetVolumeInformationW": (
        _BOOL,
        (_TEXT, _ADDRESS, _DWORD, _NUMBER, _NUMBER, _NUMBER, _ADDRESS, _DWORD),
    ),
    "DeviceIoControl": (
        _BOOL,
        (_HANDLE, _DWORD, ctypes.c_char_p, _DWORD, _ADDRESS, _DWORD, _NUMBER, _ADDRESS),
    ),
    "GetLogicalDrives": (_DWORD, ()),
    "GetDriveTypeW": (_DWORD, (_TEXT,)),
    "GetDiskFreeSpaceExW": (_BOOL, (_TEXT, *[ctypes.POINTER(ctypes.c_uint64)] * 3)),
    "GetDiskFreeSpaceW": (_BOOL, (_TEXT, _NUMBER, _NUMBER, _NUMBER, _NUMBER)),
    "SetErrorMode": (_DWORD, (_DWORD,)),
}

# Of ntdll: what winternl.h of the Windows SDK declares.
NATIVE_SIGNATURES: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "NtCreateFile": (
        _DWORD,
        (
            ctypes.POINTER(_HANDLE),
            _DWORD,
            ctypes.POINTER(ObjectAttributes),
            ctypes.POINTER(IoStatus),
            _ADDRESS,
            *[_DWORD] * 4,
            _ADDRESS,
            _DWORD,
        ),
    ),
    "RtlNtStatusToDosError": (_DWORD, (_DWORD,)),
}
