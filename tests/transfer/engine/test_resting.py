"""Drives at rest: each file system is flushed, whatever cannot be."""

import os

from transfer.engine.medium.mounted import flush_noted
from transfer.engine.resting import let_rest


def test_what_has_gone_is_passed_by_and_the_next_is_flushed(volumes, tmp_path):
    with volumes("ext4") as drive:
        (drive.path / "mount.log").write_bytes(b"22:00 slewing")
        before = drive.flushes()
        let_rest([tmp_path / "gone", drive.path / "gone", drive.path / "mount.log"])
        assert drive.flushes() > before


def test_a_system_whose_folders_are_not_opened_as_files_is_left_alone(monkeypatch):
    monkeypatch.delattr(os, "O_DIRECTORY")  # as on Windows
    flush_noted("E:\\")
