"""Drives at rest: each file system is flushed, whatever cannot be."""

import errno
import sys

import pytest

from transfer.engine.medium import flush_noted
from transfer.engine.resting import let_rest

macos = pytest.importorskip("transfer.engine.medium.macos", reason="POSIX' own calls are loaded for it")


def test_what_has_gone_is_passed_by_and_the_next_is_flushed(volumes, tmp_path):
    with volumes("ext4") as drive:
        (drive.path / "mount.log").write_bytes(b"22:00 slewing")
        before = drive.flushes()
        let_rest([tmp_path / "gone", drive.path / "gone", drive.path / "mount.log"])
        assert drive.flushes() > before


def test_a_system_that_keeps_a_log_of_changes_is_left_alone(monkeypatch):
    monkeypatch.setattr(sys, "platform", "win32")
    flush_noted("E:\\")


@pytest.mark.parametrize("refusal", [None, OSError(errno.ENOTTY, "not known here")])
def test_macos_is_asked_to_empty_the_drive_s_own_memory_or_else_to_flush(tmp_path, refusal):
    asked = []

    def control(_: int, command: int, __: int) -> None:
        asked.append(command)
        if refusal is not None:
            raise refusal

    macos.flush_from(str(tmp_path), control)
    assert asked == [macos.F_FULLFSYNC]
