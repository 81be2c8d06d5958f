"""How each kind of file is opened on Windows, so that nobody is in anybody's way.

Names and values are those of Microsoft's CreateFileW and GetDriveTypeW. A handle that is to keep a
folder from being replaced must ask for at least a right to read: one that asks for attributes alone
takes no part in sharing.
"""

from __future__ import annotations

from dataclasses import dataclass

GENERIC_READ = 0x8000_0000
GENERIC_WRITE = 0x4000_0000
FILE_LIST_DIRECTORY = 0x0000_0001
DELETE = 0x0001_0000

FILE_SHARE_READ = 1
FILE_SHARE_WRITE = 2
FILE_SHARE_DELETE = 4

CREATE_NEW = 1
OPEN_EXISTING = 3

FILE_FLAG_NO_BUFFERING = 0x2000_0000
FILE_FLAG_SEQUENTIAL_SCAN = 0x0800_0000
FILE_FLAG_BACKUP_SEMANTICS = 0x0200_0000
FILE_FLAG_OPEN_REPARSE_POINT = 0x0020_0000

DRIVE_REMOVABLE = 2
DRIVE_FIXED = 3

FILE_ATTRIBUTE_DIRECTORY = 0x10
FILE_ATTRIBUTE_REPARSE_POINT = 0x400
_NAME_SURROGATE = 0x2000_0000  # IsReparseTagNameSurrogate of winnt.h: a link, a junction, a mount point


@dataclass(frozen=True, slots=True)
class Opening:
    """The arguments of one CreateFileW."""

    access: int
    share: int
    creation: int
    flags: int


_SHARED = FILE_SHARE_READ | FILE_SHARE_WRITE | FILE_SHARE_DELETE
_HELD = FILE_SHARE_READ | FILE_SHARE_WRITE

# Nobody can rename, remove or replace it for as long as it is held.
PINNED_FOLDER = Opening(FILE_LIST_DIRECTORY, _HELD, OPEN_EXISTING, FILE_FLAG_BACKUP_SEMANTICS)
# Below the pinned one a link is opened itself, to be refused.
INNER_FOLDER = Opening(
    FILE_LIST_DIRECTORY, _HELD, OPEN_EXISTING, FILE_FLAG_BACKUP_SEMANTICS | FILE_FLAG_OPEN_REPARSE_POINT
)
# FlushFileBuffers wants a right to write.
FOLDER_TO_FLUSH = Opening(GENERIC_WRITE, _SHARED, OPEN_EXISTING, FILE_FLAG_BACKUP_SEMANTICS)
# Shared for deletion, so that it can be renamed while it is open; nobody else writes to it. A link of
# that name is not followed, but in the way.
NEW_FILE = Opening(
    GENERIC_WRITE, FILE_SHARE_READ | FILE_SHARE_DELETE, CREATE_NEW, FILE_FLAG_OPEN_REPARSE_POINT
)
# Shared with writers, since the handle that a run locks the same file by may write, too.
FILE_TO_EXTEND = Opening(GENERIC_WRITE, _SHARED, OPEN_EXISTING, 0)
FILE_TO_READ = Opening(GENERIC_READ, _SHARED, OPEN_EXISTING, FILE_FLAG_SEQUENTIAL_SCAN)
# Sources as well: their programs go on writing, renaming and removing.
SOURCE = FILE_TO_READ
# A handle of our own that has the file open for writing shares as much with this as with any other.
UNBUFFERED = Opening(GENERIC_READ, _SHARED, OPEN_EXISTING, FILE_FLAG_NO_BUFFERING | FILE_FLAG_SEQUENTIAL_SCAN)
# To be removed by its handle: shared with readers alone, so that what was read is what goes.
FILE_TO_REMOVE = Opening(
    GENERIC_READ | DELETE,
    FILE_SHARE_READ,
    OPEN_EXISTING,
    FILE_FLAG_SEQUENTIAL_SCAN | FILE_FLAG_OPEN_REPARSE_POINT,
)
# Refuses to share with writers, so it is refused itself where there is one.
ALONE_WITH_READERS = Opening(GENERIC_READ, FILE_SHARE_READ | FILE_SHARE_DELETE, OPEN_EXISTING, 0)
LOCK = Opening(GENERIC_READ | GENERIC_WRITE, _SHARED, OPEN_EXISTING, 0)
LOCK_READ_ONLY = Opening(GENERIC_READ, _SHARED, OPEN_EXISTING, 0)


@dataclass(frozen=True, slots=True)
class NativeOpening:
    """What NtCreateFile is given for an opening, besides what is shared."""

    access: int
    disposition: int
    options: int


# What CreateFileW asks for besides: to wait for each call, and to look at what is opened. Values of
# winternl.h and ntifs.h; how the flags correspond is in the documents of both calls.
_SYNCHRONIZE = 0x0010_0000
_FILE_READ_ATTRIBUTES = 0x80
_DISPOSITIONS = {CREATE_NEW: 2, OPEN_EXISTING: 1}  # FILE_CREATE, FILE_OPEN
_OPTIONS = {
    FILE_FLAG_NO_BUFFERING: 0x8,  # FILE_NO_INTERMEDIATE_BUFFERING
    FILE_FLAG_SEQUENTIAL_SCAN: 0x4,  # FILE_SEQUENTIAL_ONLY
    FILE_FLAG_OPEN_REPARSE_POINT: 0x0020_0000,  # FILE_OPEN_REPARSE_POINT
}
_FILE_SYNCHRONOUS_IO_NONALERT = 0x20
_FILE_NON_DIRECTORY_FILE = 0x40


def native(how: Opening) -> NativeOpening:
    """Return what opens a file, no folder, by NtCreateFile as `how` does by CreateFileW."""
    options = _FILE_SYNCHRONOUS_IO_NONALERT | _FILE_NON_DIRECTORY_FILE
    for flag, option in _OPTIONS.items():
        options |= option if how.flags & flag else 0
    access = how.access | _SYNCHRONIZE | _FILE_READ_ATTRIBUTES
    return NativeOpening(access, _DISPOSITIONS[how.creation], options)


# A volume itself, `\\.\E:`; others keep their handles until it is locked.
WHOLE_VOLUME = Opening(GENERIC_READ | GENERIC_WRITE, _HELD, OPEN_EXISTING, 0)

# What DeviceIoControl is asked for; values of winioctl.h.
LOCK_VOLUME = 0x0009_0018  # FSCTL_LOCK_VOLUME: refused while anybody has a file of it open
DISMOUNT_VOLUME = 0x0009_0020  # FSCTL_DISMOUNT_VOLUME
MEDIA_REMOVAL = 0x002D_4804  # IOCTL_STORAGE_MEDIA_REMOVAL, with PREVENT_MEDIA_REMOVAL
EJECT_MEDIA = 0x002D_4808  # IOCTL_STORAGE_EJECT_MEDIA


def is_aligned(offset: int, length: int, address: int, sector_bytes: int) -> bool:
    """Return whether a read may go past the cache: offset, length and buffer lie on whole sectors.

    What FILE_FLAG_NO_BUFFERING asks for ("File buffering", Microsoft).
    """
    return sector_bytes > 0 and not any(number % sector_bytes for number in (offset, length, address))


def leads_elsewhere(attributes: int, reparse_tag: int) -> bool:
    """Return whether this is a link, junction or mount point, rather than a file or folder."""
    return bool(attributes & FILE_ATTRIBUTE_REPARSE_POINT and reparse_tag & _NAME_SURROGATE)
