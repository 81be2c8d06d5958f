"""What befalls a drive or a run on Windows, each once, and what is said; tests/faults draws them."""

from __future__ import annotations

import os
import signal
import subprocess

import pytest

from tests.support.nights import Computer, assert_valid, listed_truly, noise, prepared
from tests.windows.rig import Rig

BAG = "2026-03-14"
_IN_THE_MIDDLE = 150  # of the about 500 moments that sending the small night has


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging")
    made.small_night()
    return made


def send(computer: Computer, *more: str) -> list:
    return ["send", "--drive", "E:\\", "--config", computer.file, "--json", *more]


def test_a_drive_that_is_pulled_is_said_to_have_left_and_goes_on_when_it_is_back(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        run = rig.at_a_call("hold", _IN_THE_MIDDLE, *send(computer))
        assert rig.is_held(run)
        server = stick.server()
        assert server is not None
        os.kill(server, signal.SIGKILL)
        ran = rig.let_go(run)
        stick.pull()
        assert (ran.exit, ran.document["safe_to_pull"]) == (1, False), ran.out
        assert "The drive left" in ran.document["message"]
        stick.mount_again()
        listed_truly(stick.path / BAG)
        assert rig.run(*send(computer)).exit == 0
        assert_valid(stick.path / BAG)


def test_a_killed_run_leaves_a_receipt_that_says_so_and_the_next_one_finishes(rig, computer):
    with rig.volume("e", "ntfs") as stick:
        prepared(stick.path)
        rig.let_go(rig.at_a_call("kill", _IN_THE_MIDDLE, *send(computer)))
        assert "NOT FINISHED" in (stick.path / "READ ME FIRST.txt").read_text(encoding="utf-8")
        again = rig.run(*send(computer))
        assert (again.exit, again.document["files_proven"]) == (0, 5), again.out
        assert_valid(stick.path / BAG)


def test_a_full_drive_is_told_before_and_in_the_middle(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        free = os.statvfs(stick.path)
        filler = stick.path / "filler.bin"
        with filler.open("wb") as file:
            file.truncate(free.f_bavail * free.f_frsize - (1 << 20))
        before = rig.run(*send(computer))
        assert before.exit == 4, before.out
        assert "there is room for" in before.document["message"]
        filler.unlink()
        computer.frame("large.fits", data=noise(5 << 20))
        run = rig.at_a_call("hold", _IN_THE_MIDDLE, *send(computer))
        assert rig.is_held(run)
        with filler.open("wb") as file:
            file.truncate(os.statvfs(stick.path).f_bavail * free.f_frsize - 4096)
        ran = rig.let_go(run)
        assert (ran.exit, "The drive is full" in ran.document["message"]) == (4, True), ran.out
        filler.unlink()
        assert rig.run(*send(computer)).exit == 0
        assert_valid(stick.path / BAG)


def test_a_write_protected_drive_says_so(rig, computer):
    with rig.volume("e", "ntfs") as stick:
        prepared(stick.path)
        subprocess.run(["mount", "-o", "remount,ro", stick.path], check=True)
        ran = rig.run(*send(computer))
        assert ran.exit == 1, ran.out
        assert "The drive may not be written to" in ran.document["message"]
        assert not (stick.path / BAG).exists()


def test_a_second_run_at_the_same_drive_is_told_of_the_first(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        first = rig.at_a_call("hold", _IN_THE_MIDDLE, *send(computer))
        assert rig.is_held(first)
        second = rig.run(*send(computer))
        assert (second.exit, "Another run is at work" in second.document["message"]) == (5, True)
        assert rig.let_go(first).exit == 0
        assert_valid(stick.path / BAG)
