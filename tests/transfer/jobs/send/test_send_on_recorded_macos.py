"""What a person is told when macOS flushes, or does not: whole runs with its fcntl(2) answered from a record.

Apple's fcntl(2) for what F_FULLFSYNC and F_NOCACHE do and refuse; that a removed stick answers ENXIO is from
memory. Everything else is asked of this system: macOS and Linux share it.
"""

import errno
import os
import sys

import pytest

if sys.platform == "win32":
    pytest.skip("POSIX only", allow_module_level=True)

from tests.support.nights import NIGHT, assert_valid, listed_truly
from transfer.engine.medium.macos import F_FULLFSYNC, F_NOCACHE, MacFolder, MacMedium
from transfer.errors import ExitCode

BAG = NIGHT.isoformat()


class Mac(MacMedium):
    """A Mac whose fcntl(2) refuses full flushes with a code, `times` times."""

    def __init__(self, root, code=None, times=1_000_000):
        super().__init__(lambda: f"/dev/disk4s1 on {root} (exfat, local, nodev)\n")
        self._code = code
        self._left = times
        self.asked = []

    def pin(self, path):
        return MacFolder(path, self._control)

    def _control(self, descriptor, command, argument):
        self.asked.append((command, argument))
        if command == F_FULLFSYNC and self._code is not None and self._left:
            self._left -= 1
            raise OSError(self._code, os.strerror(self._code))


@pytest.fixture
def night(computer):
    computer.small_night()
    return computer


def test_a_night_is_flushed_through_the_drive_s_own_cache_and_no_medium_is_claimed(night, stick):
    mac = Mac(stick)
    outcome = night.send(stick, medium=mac)
    assert outcome.exit_code == ExitCode.PROVEN
    assert "perhaps from memory" in outcome.message
    assert {(F_FULLFSYNC, 0), (F_NOCACHE, 1)} == set(mac.asked)
    assert_valid(stick / BAG)


@pytest.mark.parametrize("code", [errno.ENOTSUP, errno.ENOTTY, errno.EINVAL])
def test_a_drive_that_knows_no_full_flush_takes_the_night_by_an_ordinary_one(night, stick, code):
    assert night.send(stick, medium=Mac(stick, code)).exit_code == ExitCode.PROVEN
    assert_valid(stick / BAG)


@pytest.mark.parametrize(
    ("code", "exit_code", "told"),
    [
        (errno.EIO, ExitCode.SOMETHING_UNPROVEN, "Input/output error"),
        (errno.ENXIO, ExitCode.SOMETHING_UNPROVEN, "The drive left"),
        (errno.ENODEV, ExitCode.SOMETHING_UNPROVEN, "The drive left"),
        (errno.ENOSPC, ExitCode.DOES_NOT_FIT, "The drive is full"),
        (errno.EROFS, ExitCode.SOMETHING_UNPROVEN, "write-protected"),
    ],
)
def test_a_full_flush_that_fails_is_told_by_its_reason_and_proves_nothing(
    night, stick, code, exit_code, told
):
    before = night.fingerprint()
    outcome = night.send(stick, medium=Mac(stick, code))
    assert outcome.exit_code == exit_code
    assert told in outcome.message
    assert not (stick / BAG).exists() or listed_truly(stick / BAG) == set()
    assert night.fingerprint() == before
    assert night.send(stick, medium=Mac(stick)).exit_code == ExitCode.PROVEN
    assert_valid(stick / BAG)


def test_a_full_flush_that_failed_once_is_not_tried_again_but_the_files_are_written_again(night, stick):
    assert night.send(stick, medium=Mac(stick, errno.EIO, times=1)).exit_code == ExitCode.PROVEN
    assert_valid(stick / BAG)
