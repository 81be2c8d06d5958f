"""A file system's server dies under the archive: every command says that the disk is gone."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, prepared
from tests.support.volumes import need, volume

QUESTIONS = (
    ("frames",),
    ("frames", "--csv"),
    ("targets",),
    ("nights",),
    ("index",),
    ("gather", "M 51", "--into", "into"),
)


def until_it_is_dead(folder: Path) -> None:
    """Look at the folder until that fails."""
    while True:
        folder.stat()


@pytest.mark.volume
@pytest.mark.parametrize("below", ["", "archive"])
def test_every_command_says_that_the_archive_left(tmp_path: Path, below: str) -> None:
    need("exfat")
    computer = Computer(tmp_path / "computer")
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    computer.send(stick)
    with volume("exfat", size_mb=40) as disk:
        (disk.path / below).mkdir(exist_ok=True)
        desk = Desk(tmp_path / "desk", archive_at=disk.path / below)
        assert desk.file(stick).exit_code == 0
        server = disk.server()
        assert server is not None
        os.kill(server, signal.SIGKILL)  # from now on every call gives ENOTCONN
        with pytest.raises(OSError, match="not connected"):
            until_it_is_dead(disk.path)
        for words in (*QUESTIONS, ("file", str(stick))):
            ran = desk.command(*words)
            said = " ".join((ran.out + ran.err).split())
            assert ran.exit == 3, f"{words}: {said}"
            assert "is not there" in said or "has left" in said
            assert "does not know" not in said
            assert "Traceback" not in said
