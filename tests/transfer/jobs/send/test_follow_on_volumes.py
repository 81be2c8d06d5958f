"""Following a night onto real volumes: pulled and mounted elsewhere, filled, cut off, two at once."""

import os
import signal
import sys
import time
import uuid
from pathlib import Path

from tests.support.followers import FOLLOWS_FAST, following, wait_for
from tests.support.nights import NIGHT, Computer, assert_valid, entries, noise, prepared
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer

BAG = NIGHT.isoformat()
MB = 1 << 20
WRITES = "import sys, pathlib; pathlib.Path(sys.argv[1]).open('a').write(sys.argv[2] + chr(10))"


def telling(tmp_path):
    """Return the configuration of a program that keeps what it is told, and where it keeps that."""
    told = tmp_path / "told.txt"
    program = tmp_path / "keep.py"
    program.write_text(WRITES)
    return f"{FOLLOWS_FAST}tell = ['{sys.executable}', '{program}', '{told}', '{{line}}']\n", told


def pull(drive):
    """Pull a stick: its driver dies, and every call on it fails from then on."""
    os.kill(drive.server(), signal.SIGKILL)
    drive.pull()


def test_a_stick_that_is_pulled_and_comes_back_elsewhere_gets_the_rest(volumes, tmp_path):
    more, told = telling(tmp_path)
    name = f"stick {uuid.uuid4().hex[:8]}"
    computer = Computer(tmp_path / "night", drives=[f'name = "{name}"'], more=more)
    computer.small_night()
    with volumes("exfat", size_mb=64) as drive:
        prepared(drive.path, name)
        with following(computer) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            pull(drive)
            follower.says("What comes meanwhile is carried later")
            wait_for(lambda: told.exists() and "carried later" in told.read_text(), "the program is told")
            now = computer.command("now")
            assert (now.exit, name in now.out) == (3, True), now.out + follower.said
            computer.frame("meanwhile.fits", data=noise(5000, 60))
            drive.path = drive.path.with_name("elsewhere")
            drive.path.mkdir()
            drive.mount_again()
            follower.proves("meanwhile.fits")
            ran = computer.command("send", "--json")
            assert (ran.exit, follower.ends()) == (0, 0)
        assert ran.document["nights"][0]["read_back"] == "medium"
        assert_valid(drive.path / BAG)
        assert len(entries(drive.path / BAG)) == 6
        assert "Finished. SAFE ON" in told.read_text().replace("  ", " ")


def test_a_follower_that_was_asleep_while_its_stick_moved_finds_it_again(volumes, tmp_path):
    # The process is stopped, for longer than it lets between two looks at its drives: no sleep of a computer.
    name = f"stick {uuid.uuid4().hex[:8]}"
    computer = Computer(tmp_path / "night", drives=[f'name = "{name}"'], more=FOLLOWS_FAST)
    computer.small_night()
    with volumes("ext4", size_mb=64) as drive:
        prepared(drive.path, name)
        with following(computer) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            follower.hold_up()
            drive.pull()
            drive.path = drive.path.with_name("elsewhere")
            drive.path.mkdir()
            drive.mount_again()
            time.sleep(4)
            follower.let_go_on()
            computer.frame("after.fits", data=noise(5000, 61))
            follower.proves("after.fits")
            ran = computer.command("send", "--json")
            assert (ran.exit, follower.ends()) == (0, 0)
        assert_valid(drive.path / BAG)
        assert len(entries(drive.path / BAG)) == 6


def test_on_a_full_drive_what_fits_is_still_carried(volumes, tmp_path):
    more, told = telling(tmp_path)
    computer = Computer(tmp_path / "night", more=more)
    computer.frame("first.fits", data=noise(MB, 70))
    with volumes("exfat", size_mb=64) as drive:
        prepared(drive.path)
        room = os.statvfs(drive.path)
        (drive.path / "filler").write_bytes(bytes(room.f_bavail * room.f_frsize - 9 * MB))
        with following(computer, "--drive", drive.path) as follower:
            follower.proves("first.fits")
            computer.frame("too large.fits", data=noise(8 * MB, 71))
            follower.says("does not fit")
            computer.frame("small.fits", data=noise(20_000, 72))
            follower.proves("small.fits")
            now = computer.command("now", "--json").document
            assert (now["did_not_fit"], "full" in now["message"]) == (1, True)
            wait_for(lambda: told.exists() and "is full" in told.read_text(), "the program is told")
            (drive.path / "filler").unlink()
            assert computer.command("send", "--drive", drive.path).exit == 0
        assert_valid(drive.path / BAG)
        assert len(entries(drive.path / BAG)) == 3


def test_a_send_while_the_follower_closes_the_night_waits_and_says_what_is_proven(volumes, tmp_path):
    computer = Computer(tmp_path / "night", more='[follow]\nrest = "1h"\n')
    computer.frames_of(6, 2 * MB)
    with volumes("exfat", size_mb=64) as drive:
        prepared(drive.path)
        drive.throttle(3 * MB, 12 * MB)
        with following(computer, "--drive", drive.path, "--until", "1s") as follower:
            place = MeetingPlace(computer.records, this_computer())
            wait_for(lambda: place.state().get("why_ended"), "the night is being closed")
            now = computer.command("now")
            assert (now.exit, "being closed at this moment" in now.out) == (0, True), now.out
            ran = computer.command("send", "--drive", drive.path, "--json")
            assert follower.ends() == 0
        assert (ran.exit, ran.document["files_proven"]) == (0, 6), ran.out
        assert_valid(drive.path / BAG)
        assert (drive.path / "READ ME FIRST.txt").read_text().startswith("SAFE ON")


def test_a_follower_goes_on_where_the_send_that_waited_for_it_has_given_up(volumes, tmp_path):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    computer.small_night()
    with volumes("exfat", size_mb=64) as drive:
        prepared(drive.path)
        with following(computer, "--drive", drive.path) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            server = drive.server()
            assert server is not None
            os.kill(server, signal.SIGSTOP)  # the drive is slow for once
            try:
                ran = computer.command("send", "--drive", drive.path, "--time-limit", "6s")
            finally:
                os.kill(server, signal.SIGCONT)
            assert (ran.exit, "It goes on by itself" in ran.err) == (5, True), ran.err
            follower.says("Following goes on")
            computer.frame("late.fits", data=noise(5_000, 9))
            follower.proves("late.fits")
            now = computer.command("now", "--json").document
            assert (now["followed"], now["proven_frames"]) == (True, 4)
            assert computer.command("send", "--drive", drive.path).exit == 0
            follower.ends()
        assert_valid(drive.path / BAG)


def test_a_power_cut_while_a_night_is_followed_loses_no_proven_frame(volumes, tmp_path):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    computer.small_night()
    with volumes("ext4", size_mb=64) as drive:
        prepared(drive.path)
        os.sync()
        with following(computer, "--drive", drive.path) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            with drive.after_a_power_cut() as left:
                frames = sorted(path.name for path in (left.path / BAG / "data").rglob("*.fits"))
                assert frames == ["dark_1.fits", "light 1.fits", "light 2.fits"]
                again = Computer(tmp_path / "another", records_name="records")
                for path in computer.frames.rglob("*.fits"):
                    copy = again.frame(str(path.relative_to(computer.frames)), path.read_bytes())
                    os.utime(copy, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns))
                ran = again.command("send", "--drive", left.path, "--json")
                assert (ran.exit, ran.document["files_proven"]) == (0, 3)
                assert_valid(left.path / BAG)


def test_two_drives_both_have_the_night_and_one_that_comes_late_gets_all(volumes, tmp_path):
    names = [f"stick {uuid.uuid4().hex[:8]}" for _ in range(2)]
    computer = Computer(tmp_path / "night", drives=[f'name = "{name}"' for name in names], more=FOLLOWS_FAST)
    computer.small_night()
    with volumes("ext4", size_mb=32) as first, volumes("ext4", size_mb=32) as second:
        prepared(first.path, names[0])
        prepared(second.path, names[1])
        second.unmount()
        with following(computer) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
            assert computer.command("now").exit == 3
            second.mount_again()
            wait_for(lambda: len(list(Path(second.path).rglob("*.fits"))) == 3, "the second has them")
            computer.frame("both.fits", data=noise(4000, 80))
            follower.says(f"is proven on '{names[0]}' and '{names[1]}'", times=4)
            assert computer.command("send").exit == 0
        for drive in (first, second):
            assert_valid(drive.path / BAG)
            assert len(entries(drive.path / BAG)) == 6
