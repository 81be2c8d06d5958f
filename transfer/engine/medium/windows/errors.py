"""What Windows' error codes mean to a transfer: locked, left, full, or a bad file.

The codes and their names are those of Microsoft's "System error codes".
"""

from __future__ import annotations

import errno

SHARING_VIOLATION = 32
LOCK_VIOLATION = 33

# Another program's lock: it may pass.
_LOCKED = frozenset({SHARING_VIOLATION, LOCK_VIOLATION})

# The device, its medium or the way to it is gone. None of these is said of one bad file or sector.
_LEFT = frozenset(
    {
        15,  # ERROR_INVALID_DRIVE
        20,  # ERROR_BAD_UNIT
        21,  # ERROR_NOT_READY
        34,  # ERROR_WRONG_DISK
        53,  # ERROR_BAD_NETPATH
        55,  # ERROR_DEV_NOT_EXIST
        59,  # ERROR_UNEXP_NET_ERR
        64,  # ERROR_NETNAME_DELETED
        67,  # ERROR_BAD_NET_NAME
        433,  # ERROR_NO_SUCH_DEVICE
        1005,  # ERROR_UNRECOGNIZED_VOLUME
        1006,  # ERROR_FILE_INVALID: the volume behind an open file was changed from outside
        1110,  # ERROR_MEDIA_CHANGED
        1112,  # ERROR_NO_MEDIA_IN_DRIVE
        1167,  # ERROR_DEVICE_NOT_CONNECTED
        1617,  # ERROR_DEVICE_REMOVED
    }
)

_ERRNO = {
    1: errno.ENOTSUP,  # ERROR_INVALID_FUNCTION
    2: errno.ENOENT,  # ERROR_FILE_NOT_FOUND
    3: errno.ENOENT,  # ERROR_PATH_NOT_FOUND
    5: errno.EACCES,  # ERROR_ACCESS_DENIED
    6: errno.EBADF,  # ERROR_INVALID_HANDLE
    17: errno.EXDEV,  # ERROR_NOT_SAME_DEVICE
    19: errno.EROFS,  # ERROR_WRITE_PROTECT
    39: errno.ENOSPC,  # ERROR_HANDLE_DISK_FULL
    50: errno.ENOTSUP,  # ERROR_NOT_SUPPORTED
    80: errno.EEXIST,  # ERROR_FILE_EXISTS
    87: errno.EINVAL,  # ERROR_INVALID_PARAMETER
    111: errno.ENAMETOOLONG,  # ERROR_BUFFER_OVERFLOW
    112: errno.ENOSPC,  # ERROR_DISK_FULL
    123: errno.EINVAL,  # ERROR_INVALID_NAME
    145: errno.ENOTEMPTY,  # ERROR_DIR_NOT_EMPTY
    183: errno.EEXIST,  # ERROR_ALREADY_EXISTS
    206: errno.ENAMETOOLONG,  # ERROR_FILENAME_EXCED_RANGE
    223: errno.EFBIG,  # ERROR_FILE_TOO_LARGE
    267: errno.ENOTDIR,  # ERROR_DIRECTORY
    1142: errno.EMLINK,  # ERROR_TOO_MANY_LINKS
    1295: errno.ENOSPC,  # ERROR_DISK_QUOTA_EXCEEDED
    1314: errno.EPERM,  # ERROR_PRIVILEGE_NOT_HELD
}


def errno_of(code: int) -> int:
    """Return the errno that stands for a Windows error code.

    EBUSY stands for another program's lock, ENODEV for a drive that left. What has no counterpart is
    EIO, which voids what was written: the side to err on.
    """
    if code in _LOCKED:
        return errno.EBUSY
    if code in _LEFT:
        return errno.ENODEV
    return _ERRNO.get(code, errno.EIO)


def os_error(code: int, text: str, path: str = "") -> OSError:
    """Make the error that stands for a Windows error code, of the class that its errno asks for."""
    said = text.strip().rstrip(".") or f"Windows error {code}"
    return OSError(errno_of(code), said, path) if path else OSError(errno_of(code), said)


def translated(error: OSError) -> OSError:
    """Return an error that Python raised itself, with the errno this module gives its Windows code.

    Python's own table calls a drive that left a bad argument, and another program's lock a lack of rights.
    """
    code: int | None = getattr(error, "winerror", None)
    if code is None:
        return error
    # Of two paths the second is the one that was to be made.
    return os_error(code, error.strerror or "", str(error.filename2 or error.filename or ""))


def is_locked(error: OSError) -> bool:
    """Return whether an error is caused by another program's lock.

    A read through a C descriptor has lost its Windows code: the C runtime makes EACCES of a lock that
    another program holds on a part of the file. An open that is refused for want of rights keeps its
    path, which a read has not.
    """
    return error.errno == errno.EBUSY or (error.errno == errno.EACCES and error.filename is None)
