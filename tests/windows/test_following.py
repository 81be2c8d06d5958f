"""A night that is followed on Windows' interface, and a send that takes over from the follower."""

from __future__ import annotations

import threading

import pytest

from tests.support.followers import FOLLOWS_FAST, wait_for
from tests.support.nights import NIGHT, Computer, assert_valid, noise, prepared
from tests.windows.rig import Rig


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging", more=FOLLOWS_FAST)
    made.small_night()
    return made


def test_a_night_is_followed_and_send_takes_over(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        words = ("--config", computer.file, "--drive", "E:")
        process = rig.start(rig.nightferry("send", "--follow", *words))
        said: list[bytes] = []
        reader = threading.Thread(target=lambda: said.extend(process.stdout), daemon=True)
        reader.start()
        try:
            wait_for(lambda: sum(b" on 'Field stick'" in line for line in said) == 3, "three are carried", 90)
            now = rig.run("now", "--config", computer.file, "--json")
            assert (now.document["followed"], now.document["proven"]) == (True, 3), now.out
            with (computer.frames / "open.fits").open("wb") as file:
                file.write(noise(3000, 3))
                computer.frame("late.fits", data=noise(9000, 4))
                wait_for(lambda: any(b"late.fits" in line for line in said), "the late one is carried", 60)
                assert not any(b"open.fits" in line for line in said)
            (computer.frames / "open.fits").unlink()
            sent = rig.run("send", *words, "--json")
            assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out + sent.err
            assert process.wait(60) == 0
        finally:
            if process.poll() is None:
                process.kill()
            reader.join(20)
            process.stdout.close()
            process.stderr.close()
        assert_valid(stick.path / NIGHT.isoformat())


def test_a_follower_that_was_killed_holds_nothing(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        words = ("--config", computer.file, "--drive", "E:")
        process = rig.start(rig.nightferry("send", "--follow", *words, "--until", "90s"))
        line = b""
        while b"on 'Field stick'" not in line:
            line = process.stdout.readline()
            assert line, process.stderr.read()
        process.kill()
        process.communicate(timeout=30)
        sent = rig.run("send", *words, "--json", ends_within_s=110)
        assert sent.exit == 0, sent.out + sent.err
        assert_valid(stick.path / NIGHT.isoformat())


def test_the_scheduled_task_names_the_program_and_the_configuration(rig, computer):
    ran = rig.run("setup", "--start", "--config", computer.file)
    assert ran.exit == 0, ran.err
    file = next((rig.user_folder / "AppData/Roaming/nightferry").glob("*.xml"))
    text = file.read_bytes().decode("utf-16")
    assert "python" in text
    assert "imaging\\nightferry.toml" in text
    assert "schtasks /Create" in ran.out
