"""A night that is followed on Windows' interface, and a send that takes over from the follower."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from tests.support.followers import FOLLOWS_FAST, Follower, wait_for
from tests.support.nights import NIGHT, Computer, Ran, assert_valid, noise, prepared
from tests.windows.rig import PIPE, Rig
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging", more=FOLLOWS_FAST)
    made.small_night()
    return made


class FollowerThere(Follower):
    """One `send --follow` of Windows' Python, whose process is the one that this machine sees."""

    def __init__(self, rig: Rig, computer: Computer) -> None:
        command = rig.python("-m", "transfer", *_words("--follow"), "--config", computer.file)
        self._watch(rig.start(command, stderr=subprocess.STDOUT, encoding=PIPE, errors="replace"))


@contextmanager
def following(rig: Rig, computer: Computer) -> Iterator[FollowerThere]:
    """Follow the night until the context is left, or the follower ends before."""
    follower = FollowerThere(rig, computer)
    try:
        yield follower
    finally:
        if follower.process.poll() is None:
            follower.let_go_on()
            follower.kill()


def _words(*more: str) -> tuple[str, ...]:
    return ("send", "--drive", "E:", *more)


def _sent(rig: Rig, computer: Computer, *more: str) -> Ran:
    return rig.run(*_words("--json", *more), "--config", computer.file)


def _stands(rig: Rig, computer: Computer) -> dict[str, Any]:
    return rig.run("now", "--config", computer.file, "--json").document


def test_a_night_is_followed_and_send_takes_over_and_reads_only_what_is_new(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        with following(rig, computer) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            with (computer.frames / "open.fits").open("wb") as file:
                file.write(noise(3000, 3))
                computer.frame("late.fits", data=noise(9000, 4))
                follower.proves("late.fits")
                assert "open.fits" not in follower.said
            (computer.frames / "open.fits").unlink()
            now = _stands(rig, computer)
            assert (now["followed"], now["proven_frames"]) == (True, 4)
            computer.append(computer.logs / "mount.log", b"23:00 parked\n")
            words = (*_words("--json"), "--config", computer.file)
            sent = rig.let_go(rig.at_a_call("calls", 0, *words))
            assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out + sent.err
            follower.ends()
            assert "a run of send takes over" in follower.said
        opened = json.loads(sent.err.rpartition("CALLS ")[2])["open_source"]
        carried = sent.document["nights"][0]["carried"]
        assert opened == carried <= 2, "the two logs, one of which has grown, are all that is left to read"
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_follower_that_was_killed_holds_nothing(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        with following(rig, computer) as follower:
            follower.proves("light 1.fits")
            follower.kill()
        assert _stands(rig, computer)["followed"] is False
        sent = _sent(rig, computer)
        assert sent.exit == 0, sent.out + sent.err
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_drive_that_is_pulled_and_plugged_in_again_is_carried_to_again(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        with following(rig, computer) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            server = stick.server()
            assert server is not None
            os.kill(server, signal.SIGKILL)
            computer.frame("meanwhile.fits", data=noise(9000, 4))
            follower.says("The drive left")
            gone = _stands(rig, computer)
            assert (gone["exit"], gone["drives_gone"]) == (3, ["Field stick"])
            stick.pull()
            stick.mount_again()
            follower.proves("meanwhile.fits")
            assert _stands(rig, computer)["drives_gone"] == []
            sent = _sent(rig, computer)
            assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out + sent.err
            assert follower.ends() == 0
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_follower_that_is_told_to_end_says_so_and_send_carries_the_rest(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        words = (*_words("--follow", "--json"), "--config", computer.file)
        ended = rig.let_go(rig.at_a_call("break@move", 3, *words))
        assert (ended.exit, "signal SIGBREAK" in ended.document["message"]) == (6, True), ended.out
        assert "It ended: it was told to end" in _stands(rig, computer)["message"]
        assert _sent(rig, computer).exit == 0
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_follower_whose_drive_is_slow_is_said_to_be_at_work_and_is_waited_for(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        slow = rig.at_a_call("hold@flush", 5, *_words("--follow"), "--config", computer.file)
        try:
            assert rig.is_held(slow)
            early = _sent(rig, computer, "--time-limit", "8s")
            message = early.document["message"]
            assert (early.exit, "is still at work on the drive" in message) == (5, True), early
            slow.stdin.close()
            slow.stdin = None
            place = MeetingPlace(computer.records, this_computer())
            wait_for(lambda: place.state()["proven_frames"] == 3, "it goes on without who gave up", 120)
            sent = _sent(rig, computer)
            assert (sent.exit, "a run of send takes over" in rig.ended(slow).out) == (0, True), sent.out
        finally:
            slow.kill()
            slow.communicate()
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_follower_that_hangs_is_named_by_the_number_that_windows_ends_it_by(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        with following(rig, computer) as follower:
            follower.proves("light 1.fits")
            follower.hold_up()
            refused = _sent(rig, computer, "--time-limit", "2s")
            message = refused.document["message"]
            assert (refused.exit, "does not let go of the drive" in message) == (5, True), refused
            command = re.search(r"taskkill /F /PID [0-9]+", message)
            assert command, message
            assert rig.call(["wine", *command[0].split()]).exit == 0
            follower.let_go_on()
            follower.ends()
        assert _sent(rig, computer).exit == 0
        assert_valid(stick.path / NIGHT.isoformat())


def test_the_scheduled_task_names_the_program_and_the_configuration(rig, computer):
    ran = rig.run("setup", "--start", "--config", computer.file)
    assert ran.exit == 0, ran.err
    file = next((rig.user_folder / "AppData/Roaming/nightferry").glob("*.xml"))
    text = file.read_bytes().decode("utf-16")
    assert "python" in text
    assert "imaging\\nightferry.toml" in text
    assert "schtasks /Create" in ran.out
