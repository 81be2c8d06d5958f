"""The key on its way: a small file at the drive's root, in nobody's way."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from manifests.bags.acknowledgement_keys import new_key
from tests.support.nights import Computer, prepared
from transfer.engine.drive_key import KEY_NAME, key_on, put_key, remove_key
from transfer.engine.medium import this_computer


def test_a_key_is_put_read_and_removed(tmp_path: Path) -> None:
    folder, key = this_computer().pin(tmp_path), new_key()
    put_key(folder, key)
    assert key_on(folder) == key
    remove_key(folder)
    assert key_on(folder) is None
    folder.close()


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_folder(path: Path) -> None:
    path.mkdir()


def a_link(path: Path) -> None:
    path.symlink_to("/dev/zero")


@pytest.mark.skipif(os.name == "nt", reason="pipes and links are no files of a folder there")
@pytest.mark.parametrize("what", [a_pipe, a_folder, a_link])
def test_what_is_no_file_under_its_name_keeps_no_night_from_being_carried(
    tmp_path: Path, what: Callable[[Path], None]
) -> None:
    computer = Computer(tmp_path / "computer")
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    what(stick / KEY_NAME)
    assert computer.send(stick).exit_code == 0
    folder = this_computer().pin(stick)
    assert key_on(folder) is None
    remove_key(folder)
    assert os.path.lexists(stick / KEY_NAME)
    folder.close()
