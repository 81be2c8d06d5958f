"""Following a night, as real processes: what is carried, when, and who takes over."""

import json
import os
import signal
import subprocess
import threading

import pytest

from tests.support.faulty_drive import faulty
from tests.support.followers import FOLLOWS_FAST, Follower, following, wait_for
from tests.support.nights import (
    EVENING_NS,
    NIGHT,
    Computer,
    assert_valid,
    command_line,
    entries,
    fits,
    noise,
    payload,
    prepared,
)
from transfer.cli.send import take_over_and_run
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.run import SendRun
from transfer.stop import Stop

BAG = NIGHT.isoformat()

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of POSIX; Windows is tried in tests/windows")


@pytest.fixture
def night(tmp_path):
    """Return an imaging computer that is followed without long rests, and the small night in its sources."""
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    computer.small_night()
    return computer


def test_frames_are_carried_and_proven_as_they_come_and_send_takes_over(night, stick):
    before = night.fingerprint()
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
        night.frame("M 51/Ha/light 3.fits", data=noise(5000, 30))
        follower.proves("light 3.fits")
        assert (stick / BAG / "nightferry/journal.jsonl").exists()
        assert (stick / "READ ME FIRST.txt").read_text().startswith("NOT FINISHED")
        night.frame("M 51/Ha/the last one.fits", data=noise(5000, 31))
        ran = night.command("send", "--drive", stick, "--json")
        assert follower.ends() == 0
    assert (ran.exit, ran.document["files_proven"]) == (0, 7)
    # What the follower has proven is neither carried nor read back again.
    carried = ran.document["nights"][0]["carried"]
    assert carried <= 3  # the last frame, and the logs that had not rested
    assert "a run of send takes over" in follower.said
    assert_valid(stick / BAG)
    assert len(payload(stick / BAG)) == 7
    assert (stick / "READ ME FIRST.txt").read_text().startswith("SAFE ON")
    assert before.items() <= night.fingerprint().items()


def test_a_follower_that_leaves_files_to_send_does_not_end_as_if_all_were_proven(tmp_path, stick):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    for number, size in enumerate((5_000, 3_000_000, 5_000)):
        frame = computer.frame(f"light {number}.fits", data=noise(size, number))
        os.utime(frame, ns=(EVENING_NS, EVENING_NS + number * 10**9))
    with following(computer, "--drive", stick, "--rate", "0.1") as follower:
        follower.proves("light 0.fits")  # and then reads for half a minute, unless it is to hurry
        ran = computer.command("send", "--drive", stick, "--json")
        code = follower.ends()
    assert (ran.exit, ran.document["files_proven"]) == (0, 3)
    assert "2 of 3 files were carried and proven" in " ".join(follower.said.split())
    assert code == ExitCode.STOPPED_EARLY


def test_a_follower_that_could_not_look_into_a_source_ends_as_send_does(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits", "mount.log", "mast.csv")
        night.frames.rename(night.root / "unplugged")
        night.log("later.log")
        follower.proves("later.log")
        ran = night.command("send", "--drive", stick)
        assert (follower.ends(), ran.exit) == (ExitCode.NOT_THERE, ExitCode.NOT_THERE)


@pytest.mark.volume
def test_what_a_dead_follower_left_counts_as_proven_only_when_it_was_read_again(night, tmp_path):
    every = ("light 1.fits", "light 2.fits", "dark_1.fits", "mount.log", "mast.csv")
    behind = tmp_path / "behind"
    with faulty(tmp_path / "first", behind=behind) as drive:
        prepared(drive.path)
        with following(night, "--drive", drive.path) as follower:
            follower.proves(*every)
            follower.kill()
    with (
        faulty(tmp_path / "second", "read|light 1|1|99999|flip", behind=behind) as drive,
        following(night, "--drive", drive.path) as follower,
    ):
        wait_for(lambda: night.command("now", "--json").document["proven"] == 4, "what holds is proven")
        follower.process.send_signal(signal.SIGTERM)
        assert follower.ends() == ExitCode.STOPPED_EARLY
    assert "4 of 5 files were carried and proven" in " ".join(follower.said.split())


@pytest.mark.volume
def test_a_follower_whose_lists_cannot_be_written_when_it_hands_over_says_so(night, tmp_path):
    with faulty(tmp_path / "fuse", "write|manifest-sha256|1|3|EIO") as drive:
        prepared(drive.path)
        with following(night, "--drive", drive.path) as follower:
            follower.proves("light 1.fits", "light 2.fits", "dark_1.fits", "mount.log", "mast.csv")
            ran = night.command("send", "--drive", drive.path, "--json")
            code = follower.ends()
        assert drive.faults == 3  # as often as it is tried
        assert code == ExitCode.SOMETHING_UNPROVEN
        said = " ".join(follower.said.split())
        assert "0 of 5 files were carried and proven" in said
        assert "Input/output error" in said
        assert (ran.exit, ran.document["files_proven"]) == (0, 5)
        assert_valid(drive.path / BAG)


def test_at_its_time_a_follower_closes_the_night_itself(night, stick):
    with following(night, "--drive", stick, "--until", "4s") as follower:
        assert follower.ends() == 0
    assert "SAFE ON 'Field stick': 3 frames and 2 logs." in follower.said
    assert_valid(stick / BAG)
    again = night.command("send", "--drive", stick)
    assert "Nothing new to send" in again.out


def test_a_signal_ends_a_follower_in_order(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
        follower.process.send_signal(signal.SIGTERM)
        assert follower.ends() == 6
    assert "nightferry send does that" in follower.said
    # All that was proven is listed, and the bag is whole.
    assert_valid(stick / BAG)
    assert len(entries(stick / BAG)) == 3


def test_a_killed_follower_holds_nothing_and_its_frames_are_not_carried_again(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
        times = {path: path.stat().st_ino for path in (stick / BAG / "data").rglob("*.fits")}
        follower.kill()
    assert len(times) == 3
    ran = night.command("send", "--drive", stick, "--json")
    assert (ran.exit, ran.document["files_proven"]) == (0, 5)
    assert {path: path.stat().st_ino for path in times} == times  # read back again, and no more
    assert_valid(stick / BAG)


def test_a_follower_that_hangs_is_named_and_ends_the_run_with_5(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
        follower.hold_up()
        ran = night.command("send", "--drive", stick, "--time-limit", "3s")
        assert ran.exit == 5
        assert f"kill -9 {follower.process.pid}" in ran.err
        follower.kill()
    assert night.command("send", "--drive", stick).exit == 0
    assert_valid(stick / BAG)


def test_a_second_follower_is_turned_away(night, stick):
    with following(night, "--drive", stick):
        ran = night.command("send", "--follow", "--drive", stick)
    assert ran.exit == 5
    assert "nightferry now" in ran.err


def test_a_request_whose_run_died_ends_no_follower(night, stick):
    with following(night, "--drive", stick) as follower:
        (night.records / "follow" / "hand over").touch()
        night.frame("M 51/Ha/light 9.fits", data=noise(5000, 90))
        follower.proves("light 9.fits")
        assert follower.process.poll() is None


def test_a_follower_that_begins_just_before_send_opens_the_drive_is_taken_over_as_well(night, stick):
    records, medium = Records(night.records), this_computer()
    around = Surroundings(medium, records, Stop())
    followers = []

    def begin():
        if not followers:
            followers.append(Follower(night, "--drive", stick))
            followers[0].proves("light 1.fits", "light 2.fits", "dark_1.fits")
        return SendRun(night.config(), SendRequest((stick,)), around)

    outcome, hangs, followed = take_over_and_run(MeetingPlace(records.folder, medium), around, begin)
    if outcome.exit_code is not ExitCode.PROVEN:
        followers[0].kill()
    assert (outcome.exit_code, hangs, followed) == (ExitCode.PROVEN, False, True), outcome.message
    assert followers[0].ends() == 0
    assert_valid(stick / BAG)


# What is whole


class Slowly:
    """Writes a frame piece by piece, each when it is told to, the file open all the while."""

    def __init__(self, path, content):
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = path.open("wb", buffering=0)
        self._content = content

    def write(self, count):
        self._file.write(self._content[:count])
        self._content = self._content[count:]

    def close(self):
        self._file.write(self._content)
        self._file.close()


def marker(night, follower, number):
    """Have a further frame carried: whatever was whole before it has been carried by then."""
    night.frame(f"marker {number}.fits", data=noise(400, 500 + number))
    follower.proves(f"marker {number}.fits")


def test_a_frame_that_is_written_slowly_is_carried_when_it_is_whole(night, stick):
    content = fits(data=noise(200_000, 40))
    with following(night, "--drive", stick) as follower:
        slow = Slowly(night.frames / "slow.fits", content)
        for number in range(3):
            slow.write(50_000)
            marker(night, follower, number)
            assert "slow.fits" not in follower.said
        slow.close()
        follower.proves("slow.fits")
        night.command("send", "--drive", stick)
    assert payload(stick / BAG)["data/frames/slow.fits"] == content
    assert list(entries(stick / BAG)).count("data/frames/slow.fits") == 1


def test_a_frame_cut_short_and_closed_is_left_to_the_closing_run(night, stick):
    content = fits(data=noise(20_000, 41))
    with following(night, "--drive", stick) as follower:
        night.frame("cut.fits", content[:-3000])
        marker(night, follower, 0)
        marker(night, follower, 1)
        assert "cut.fits" not in follower.said
        ran = night.command("send", "--drive", stick, "--json")
    assert (ran.exit, "data cut short" in str(ran.document["findings"])) == (0, True)
    assert payload(stick / BAG)["data/frames/cut.fits"] == content[:-3000]


def test_a_preallocated_file_is_carried_when_its_program_has_closed_it(night, stick):
    content = fits(data=noise(100_000, 42))
    with following(night, "--drive", stick) as follower:
        with (night.frames / "ahead.fits").open("wb") as file:
            file.write(content[:2880])
            file.truncate(len(content))
            file.flush()
            marker(night, follower, 0)  # its length is right, it is at rest, and it is open
            marker(night, follower, 1)
            assert "ahead.fits" not in follower.said
            file.write(content[2880:])
        follower.proves("ahead.fits")
        night.command("send", "--drive", stick)
    assert payload(stick / BAG)["data/frames/ahead.fits"] == content


def test_a_file_of_zeros_is_no_frame_though_nobody_has_it_open(night, stick):
    with following(night, "--drive", stick) as follower:
        night.frame("zeros.fits", bytes(28_800))
        marker(night, follower, 0)
        assert "zeros.fits" not in follower.said


def test_a_frame_that_is_renamed_when_it_is_whole_is_carried_once_under_its_name(night, stick):
    content = fits(data=noise(50_000, 43))
    night.more = FOLLOWS_FAST
    night.configure()
    with following(night, "--drive", stick) as follower:
        part = night.frame("in the works.fits.tmp", content[:9000])
        marker(night, follower, 0)
        part.write_bytes(content)
        part.rename(night.frames / "renamed.fits")
        follower.proves("renamed.fits")
        assert "in the works" not in follower.said
        night.command("send", "--drive", stick)
    assert {path for path in payload(stick / BAG) if "renamed" in path or "works" in path} == {
        "data/frames/renamed.fits"
    }


def test_a_frame_written_in_place_twice_is_kept_in_both_states(night, stick):
    first, second = fits(data=noise(30_000, 44)), fits(data=noise(30_000, 45))
    with following(night, "--drive", stick) as follower:
        path = night.frame("twice.fits", first)
        follower.proves("twice.fits")
        path.write_bytes(second)
        os.utime(path, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns))
        follower.says("twice.fits", times=2)  # what it became of is the closing run's matter
        ran = night.command("send", "--drive", stick, "--json")
    assert ran.exit == 0
    kept = [content for name, content in payload(stick / BAG).items() if "twice" in name]
    assert sorted(kept) == sorted([first, second])
    assert_valid(stick / BAG)


def test_a_log_that_grows_is_carried_with_its_tail_by_the_closing_run(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits")
        night.append(night.logs / "mount.log", b"23:00 tracking\n")
        marker(night, follower, 0)
        night.append(night.logs / "mount.log", b"04:00 parked\n")
        ran = night.command("send", "--drive", stick)
    assert ran.exit == 0
    assert payload(stick / BAG)["data/logs/mount.log"] == (night.logs / "mount.log").read_bytes()


# Drives and folders that come and go


def test_a_drive_that_leaves_and_comes_back_gets_the_rest(night, stick):
    with following(night, "--drive", stick) as follower:
        follower.proves("light 1.fits", "light 2.fits", "dark_1.fits")
        stick.rename(stick.parent / "pulled")
        follower.says("What comes meanwhile is carried later")
        night.frame("M 51/Ha/meanwhile.fits", data=noise(5000, 50))
        assert night.command("now", "--json").document["drives_gone"] == ["Field stick"]
        (stick.parent / "pulled").rename(stick)
        follower.proves("meanwhile.fits")
        assert night.command("send", "--drive", stick).exit == 0
    assert_valid(stick / BAG)
    assert len(payload(stick / BAG)) == 6


def test_a_drive_that_comes_later_and_a_source_that_comes_later(tmp_path):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    computer.small_night()
    away = computer.root / "away"
    computer.frames.rename(away)
    stick = tmp_path / "stick"
    with following(computer, "--drive", stick) as follower:
        follower.says("There is no such folder")
        prepared(stick)
        away.rename(computer.frames)
        follower.proves("light 1.fits")
        assert computer.command("send", "--drive", stick).exit == 0
    assert_valid(stick / BAG)


def test_a_night_without_frames_is_closed_with_its_logs(tmp_path, stick):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    computer.log("mount.log", b"clouds\n")
    with following(computer, "--drive", stick, "--until", "3s") as follower:
        assert follower.ends() == 0
    assert "NO FRAMES TONIGHT" in follower.said
    assert_valid(stick / BAG)


def test_without_any_file_a_follower_ends_as_send_does(tmp_path, stick):
    computer = Computer(tmp_path / "night", more=FOLLOWS_FAST)
    with following(computer, "--drive", stick, "--until", "2s") as follower:
        code = follower.ends()
    assert code == computer.command("send", "--drive", stick).exit


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--follow", "--all"), "follows tonight"),
        (("--follow", "--until", "dawn"), "is no time"),
        (("--until", "07:30"), "--follow only"),
        (("--follow", "--rate", "0"), "--rate"),
    ],
)
def test_a_line_that_makes_no_sense_ends_with_2(night, stick, words, told):
    ran = night.command("send", "--drive", stick, *words)
    assert ran.exit == 2
    assert told in ran.err


def test_the_json_of_a_follower_is_one_document(night, stick):
    process = subprocess.Popen(
        command_line("send", "--follow", "--json", "--drive", stick, "--config", night.file),
        stdout=subprocess.PIPE,
        text=True,
    )
    output = []
    reader = threading.Thread(target=lambda: output.append(process.stdout.read()))
    reader.start()
    wait_for(lambda: night.command("now", "--json").document["proven"] == 3, "three are proven")
    process.send_signal(signal.SIGTERM)
    assert process.wait(60) == 6
    reader.join(10)
    process.stdout.close()
    document = json.loads(output[0])
    assert (document["exit"], document["files_proven"], document["safe_to_pull"]) == (6, 3, False)
