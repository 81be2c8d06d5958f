"""Drives that the system is to let go of, once everything on them is proven."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.support.nights import Computer, assert_valid, prepared
from transfer.engine.medium import this_computer

BAG = "2026-03-14"


@pytest.fixture
def computer(tmp_path):
    made = Computer(tmp_path / "imaging")
    made.small_night()
    return made


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs"])
def test_a_proven_drive_is_let_go_of_and_has_everything_when_it_comes_back(volumes, computer, kind):
    with volumes(kind) as stick:
        prepared(stick.path)
        ran = computer.command("send", "--drive", stick.path, "--eject")
        assert ran.exit == 0, ran.err
        assert ran.out.endswith(f"let go of 'Field stick' ({stick.path}): it may be pulled now.\n")
        assert not stick.path.is_mount()
        stick.mount_again()
        assert_valid(stick.path / BAG)
        ran = computer.command("send", "--drive", stick.path, "--eject", "--json")
        assert (ran.exit, ran.document["drives_ejected"][0]["ejected"]) == (0, True)
        stick.mount_again()


def test_a_drive_in_use_stays_and_the_exit_code_is_that_of_the_proof(volumes, computer):
    with volumes("ext4") as stick:
        prepared(stick.path)
        with (stick.path / "in use").open("wb"):
            ran = computer.command("send", "--drive", stick.path, "--eject")
        assert ran.exit == 0
        assert "busy" in ran.err
        assert "before it is pulled" in ran.err
        assert stick.path.is_mount()


def test_a_drive_that_lacks_something_stays(volumes, computer):
    computer.more = '[[source]]\nname = "gone"\nfolder = "nowhere"\n'
    computer.configure()
    with volumes("ext4") as stick:
        prepared(stick.path)
        ran = computer.command("send", "--drive", stick.path, "--eject", "--json")
        assert ran.exit == 3
        (told,) = ran.document["drives_ejected"]
        assert (told["ejected"], "not everything is proven" in told["why_not"]) == (False, True)
        assert stick.path.is_mount()


def test_a_folder_and_the_system_s_own_volume_are_never_let_go_of(tmp_path, computer):
    why = "no drive with a letter of its own" if os.name == "nt" else "a folder, and no volume of its own"
    ran = computer.command("send", "--drive", prepared(tmp_path / "folder"), "--eject")
    assert (ran.exit, f"it is {why}" in ran.err) == (0, True), ran.err
    with pytest.raises(OSError, match="the system runs from it"):
        this_computer().eject(Path(tmp_path.anchor))
