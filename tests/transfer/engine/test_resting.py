"""A drive at rest: what may not be written to is left alone, and a flush that fails is told."""

import errno

import pytest

from transfer.engine.medium import this_computer
from transfer.engine.resting import flush_noted_in, let_rest


class Refusing:
    """A folder whose flush ends with an error."""

    def __init__(self, code: int) -> None:
        self.code = code

    def flush_folders(self, _):
        raise OSError(self.code, "refused")


def test_a_write_protected_drive_has_nothing_under_way():
    flush_noted_in(Refusing(errno.EROFS))


def test_a_flush_that_fails_is_raised():
    with pytest.raises(OSError, match="refused"):
        flush_noted_in(Refusing(errno.EIO))


def test_what_has_gone_is_passed_by_and_the_next_is_flushed(volumes, tmp_path):
    with volumes("ext4") as drive:
        (drive.path / "mount.log").write_bytes(b"22:00 slewing")
        before = drive.flushes()
        let_rest(this_computer(), [tmp_path / "gone", drive.path / "mount.log"])
        assert drive.flushes() > before
