"""What Windows' error codes come to; codes and names from Microsoft's "System error codes"."""

import errno

import pytest

from transfer.engine.medium import drive_has_left, drive_is_full
from transfer.engine.medium.windows.errors import errno_of, is_locked, os_error, translated

LEFT = {
    15: "ERROR_INVALID_DRIVE",
    21: "ERROR_NOT_READY",
    34: "ERROR_WRONG_DISK",
    55: "ERROR_DEV_NOT_EXIST",
    64: "ERROR_NETNAME_DELETED",
    433: "ERROR_NO_SUCH_DEVICE",
    1006: "ERROR_FILE_INVALID",
    1112: "ERROR_NO_MEDIA_IN_DRIVE",
    1167: "ERROR_DEVICE_NOT_CONNECTED",
    1617: "ERROR_DEVICE_REMOVED",
}
OTHERS = {
    5: "ERROR_ACCESS_DENIED",
    19: "ERROR_WRITE_PROTECT",
    23: "ERROR_CRC",
    27: "ERROR_SECTOR_NOT_FOUND",
    112: "ERROR_DISK_FULL",
    1117: "ERROR_IO_DEVICE",
    1392: "ERROR_FILE_CORRUPT",
}


@pytest.mark.parametrize("code", LEFT, ids=LEFT.get)
def test_a_drive_that_left_is_told_from_a_bad_file(code):
    error = os_error(code, "gone", "E:\\light.fits")
    assert drive_has_left(error)
    assert not is_locked(error)


@pytest.mark.parametrize("code", OTHERS, ids=OTHERS.get)
def test_a_bad_file_is_no_reason_to_give_a_drive_up(code):
    error = os_error(code, "bad", "E:\\light.fits")
    assert not drive_has_left(error)
    assert not is_locked(error)


@pytest.mark.parametrize("code", [32, 33])
def test_another_program_s_lock_may_pass(code):
    error = os_error(code, "in use", "E:\\light.fits")
    assert is_locked(error)
    assert not drive_has_left(error)


@pytest.mark.parametrize("code", [39, 112, 1295])
def test_a_full_drive_is_known(code):
    assert drive_is_full(os_error(code, "full"))


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (2, FileNotFoundError),
        (3, FileNotFoundError),
        (80, FileExistsError),
        (183, FileExistsError),
        (267, NotADirectoryError),
        (5, PermissionError),
    ],
)
def test_an_error_is_of_the_class_that_the_engine_waits_for(code, kind):
    assert isinstance(os_error(code, "text", "E:\\x"), kind)


@pytest.mark.parametrize("code", [23, 27, 31, 483, 1117, 1392, 1393, 99_999])
def test_what_has_no_counterpart_counts_as_a_failed_write(code):
    assert errno_of(code) == errno.EIO


@pytest.mark.parametrize(
    ("code", "number"),
    [
        (19, errno.EROFS),
        (206, errno.ENAMETOOLONG),
        (223, errno.EFBIG),
        (1142, errno.EMLINK),
        (1314, errno.EPERM),
    ],
)
def test_what_a_drive_cannot_take_is_told_by_its_reason(code, number):
    assert errno_of(code) == number


def test_an_error_keeps_its_text_and_its_path():
    error = os_error(21, "The device is not ready.\r\n", "E:\\")
    assert (error.strerror, error.filename) == ("The device is not ready", "E:\\")
    assert os_error(433, "").strerror == "Windows error 433"


def test_python_s_own_reading_of_a_code_is_not_trusted():
    """Python on Windows makes EACCES of ERROR_NOT_READY, and EINVAL of ERROR_DEVICE_NOT_CONNECTED."""
    raised = PermissionError(errno.EACCES, "The device is not ready", "E:\\night")
    raised.winerror = 21
    error = translated(raised)
    assert drive_has_left(error)
    assert (error.strerror, error.filename) == ("The device is not ready", "E:\\night")
    plain = OSError(errno.EIO, "no code")
    assert translated(plain) is plain


def test_of_two_paths_the_one_that_was_to_be_made_is_named():
    raised = FileExistsError(errno.EEXIST, "it is there", "C:\\archive\\a.fits", None, "E:\\run\\a.fits")
    raised.winerror = 183
    assert translated(raised).filename == "E:\\run\\a.fits"


def test_a_lock_met_while_reading_is_told_from_a_file_that_may_not_be_opened():
    """The C runtime makes EACCES of ERROR_LOCK_VIOLATION; a failed open alone names its path."""
    assert is_locked(PermissionError(errno.EACCES, "Permission denied"))
    assert not is_locked(PermissionError(errno.EACCES, "Permission denied", "C:\\logs\\power.csv"))
