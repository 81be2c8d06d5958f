"""The night on real file systems: proven from the medium, full, slow, pulled, killed, mounted elsewhere."""

import os
import random
import signal
import subprocess
import uuid
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from tests.support.nights import (
    EVENING_NS,
    NIGHT,
    assert_valid,
    assert_whole_under_final_names,
    command_line,
    entries,
    listed_truly,
    noise,
    payload,
    prepared,
    run,
)
from tests.support.systems import need_every_name
from tests.support.volumes import unavailable
from transfer.engine.drive import MARK_NAME
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.events import BytesDone, Phase
from transfer.jobs.send.preview import preview
from transfer.jobs.send.ready import SendRequest
from transfer.jobs.send.survey import Scope
from transfer.stop import Stop

BAG = NIGHT.isoformat()
ON_A_DEVICE = ("ext4", "exfat", "ntfs")
NASTY = [
    "50% moon.log",
    "tab\there.log",
    "trailing dot.",
    "trailing space ",
    "AUX",
    "a:b?.log",
    "Cafe\u0301.log",
]
TWINS = ["light.log", "LIGHT.log", "Caf\u00e9.log", "n" * 251 + ".log"]


def receipt_of(drive):
    return (drive.path / "READ ME FIRST.txt").read_text(encoding="utf-8")


def sources(computer):
    return {"frames": computer.frames, "logs": computer.logs}


# Proven from the medium, or not


@pytest.mark.parametrize("kind", ON_A_DEVICE)
def test_a_night_is_proven_from_the_medium(volumes, computer, kind):
    computer.small_night()
    with volumes(kind) as drive:
        prepared(drive.path)
        given = drive.served()
        outcome = computer.send(drive.path)
        assert outcome.exit_code is ExitCode.PROVEN
        (night,) = outcome.nights
        assert night.read_back == "medium"
        assert drive.served() - given >= night.size_bytes
        assert_valid(drive.path / BAG)
        assert {entry.read_back for entry in entries(drive.path / BAG).values()} == {"medium"}
        assert receipt_of(drive).startswith("SAFE ON ")
        assert "perhaps" not in receipt_of(drive)
        assert "Nothing new" in computer.send(drive.path).message


def assert_only_compared(outcome, root):
    assert outcome.exit_code is ExitCode.PROVEN
    assert outcome.nights[0].read_back == "perhaps memory"
    assert "compared, but perhaps from memory" in outcome.message
    receipt = (root / "READ ME FIRST.txt").read_text()
    assert receipt.startswith("COMPARED ON 'Field stick', PERHAPS FROM MEMORY: ")
    assert "from the medium" not in receipt
    assert {entry.read_back for entry in entries(root / BAG).values()} == {"perhaps memory"}
    assert_valid(root / BAG)


def test_a_driver_that_hides_its_device_is_not_said_to_have_given_the_medium(volumes, computer):
    computer.small_night()
    with volumes("fat32") as drive:
        prepared(drive.path)
        assert_only_compared(computer.send(drive.path), drive.path)


@pytest.fixture
def in_memory(tmp_path):
    """Return a file system that has no medium at all."""
    folder = tmp_path / "in memory"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", folder]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        unavailable("needs to mount a tmpfs")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.mark.volume
def test_files_in_memory_are_not_said_to_be_proven_from_the_medium(in_memory, computer):
    computer.small_night()
    assert_only_compared(computer.send(prepared(in_memory)), in_memory)


# The drive that leaves while it is taken, with a folder beneath that looks like it


class _Leaves(type(this_computer())):
    """This computer, on which the drive is unmounted at one moment of a run's taking it."""

    def __init__(self, moment, leave):
        super().__init__()
        self._moment, self._leave = moment, leave

    def _at(self, moment):
        if moment == self._moment:
            self._moment = ""
            self._leave()

    def pin(self, path):
        self._at("found")
        folder = super().pin(path)
        self._at("opened")
        return folder

    def lock(self, path):
        lock = super().lock(path)
        self._at("locked")
        return lock


@pytest.mark.parametrize("moment", ["found", "opened", "locked"])
@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_a_drive_that_leaves_while_it_is_taken_sends_nothing_to_its_twin_beneath(
    volumes, computer, kind, moment
):
    computer.small_night()
    with volumes(kind) as drive:
        prepared(drive.path)
        mark = (drive.path / MARK_NAME).read_bytes()

        def leave():
            drive.pull()
            (drive.path / MARK_NAME).write_bytes(mark)

        outcome = computer.send(drive.path, medium=_Leaves(moment, leave))
        assert outcome.exit_code in (ExitCode.NOT_THERE, ExitCode.SOMETHING_UNPROVEN)
        assert outcome.files_proven == 0
        assert [path.name for path in drive.path.iterdir()] == [MARK_NAME]
        (drive.path / MARK_NAME).unlink()
        drive.mount_again()
        assert computer.send(drive.path).files_proven == 5
        assert_valid(drive.path / BAG)


# Names, and what a file system cannot hold


@need_every_name
@pytest.mark.parametrize("kind", ["exfat", "ntfs", "fat32"])
def test_names_that_the_file_system_cannot_hold_arrive_under_others(volumes, computer, kind):
    # The driver of FAT32 that there is here loses a file whose name is not ASCII when it is renamed.
    names = [name for name in (*NASTY, *TWINS) if name.isascii() or kind != "fat32"]
    for number, name in enumerate(names):
        computer.log(name, b"content %d" % number)
    with volumes(kind) as drive:
        prepared(drive.path)
        assert computer.send(drive.path).exit_code is ExitCode.PROVEN
        assert_valid(drive.path / BAG)
        told = {entry.original: entry for entry in entries(drive.path / BAG).values()}
        assert told.keys() == set(names)
        for number, name in enumerate(names):
            assert (drive.path / BAG / told[name].path).read_bytes() == b"content %d" % number
        assert "Nothing new" in computer.send(drive.path).message


def test_a_file_over_4_gib_is_refused_on_fat32_and_the_rest_is_carried(volumes, computer):
    computer.small_night()
    large = computer.log("video.log", b"")
    os.truncate(large, 4 << 30)
    os.utime(large, ns=(EVENING_NS, EVENING_NS))
    with volumes("fat32") as drive:
        prepared(drive.path)
        around = Surroundings(this_computer(), Records(computer.records), Stop())
        planned = preview(computer.config(), SendRequest((drive.path,)), around)
        assert [f.path for f in planned.findings if f.kind is FindingKind.TOO_LARGE] == ["logs/video.log"]
        outcome = computer.send(drive.path)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert (outcome.files_proven, outcome.files_unproven) == (5, 1)
        assert [f.path for f in outcome.all_findings() if f.kind is FindingKind.TOO_LARGE] == [
            "logs/video.log"
        ]
        assert_valid(drive.path / BAG)


# Room


def test_a_night_that_does_not_fit_is_refused_before_the_first_byte(volumes, computer):
    computer.frames_of(8, 3 << 20)
    with volumes("exfat", size_mb=20) as drive:
        prepared(drive.path)
        os.sync()
        before = {path: path.stat().st_mtime_ns for path in drive.path.rglob("*")}
        outcome = computer.send(drive.path)
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert (outcome.files_proven, outcome.files_unproven) == (0, 8)
        assert "there is room for" in outcome.message
        assert receipt_of(drive).startswith("NOT SAFE ON 'Field stick': 8 of 8 files are not proven.")
        (drive.path / "READ ME FIRST.txt").unlink()
        assert {path: path.stat().st_mtime_ns for path in drive.path.rglob("*")} == before


def test_a_receipt_that_says_all_is_well_is_taken_back_where_the_next_night_does_not_fit(volumes, computer):
    computer.frame("first.fits", begun="2026-03-10T22:00:00")
    with volumes("exfat", size_mb=20) as drive:
        prepared(drive.path)
        assert computer.send(drive.path).exit_code is ExitCode.PROVEN
        assert receipt_of(drive).startswith("SAFE ON ")
        computer.frames_of(8, 3 << 20)
        assert computer.send(drive.path).exit_code is ExitCode.DOES_NOT_FIT
        assert receipt_of(drive).startswith("NOT SAFE ON ")


def test_the_newest_night_goes_first_where_not_all_fit(volumes, computer):
    for number in range(3):
        computer.frame(f"new_{number}.fits", data=noise(3 << 20, number))
        computer.frame(f"old_{number}.fits", begun="2026-03-10T22:00:00", data=noise(3 << 20, 9 + number))
    with volumes("exfat", size_mb=24) as drive:
        prepared(drive.path)
        outcome = computer.send(drive.path, scope=Scope(everything=True))
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert [(str(night.night), night.proven) for night in outcome.nights] == [(BAG, 3), ("2026-03-10", 0)]
        assert_valid(drive.path / BAG)
        assert not (drive.path / "2026-03-10").exists()


@pytest.mark.parametrize("kind", ON_A_DEVICE)
def test_a_drive_that_others_fill_midway_keeps_what_was_proven(volumes, computer, kind):
    computer.frames_of(20, 1 << 20)
    with volumes(kind, size_mb=40) as drive:
        prepared(drive.path)
        filler = drive.path / "somebody else's film"
        copied = [0]

        def eat(event):
            if isinstance(event, BytesDone) and event.phase is Phase.COPYING:
                copied[0] += event.size_bytes
                if copied[0] >= 9 << 20 and not filler.exists():
                    fill(filler)

        outcome = computer.send(drive.path, listen=eat)
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert 0 < outcome.files_proven == len(listed_truly(drive.path / BAG)) < 20
        assert_whole_under_final_names(drive.path / BAG, sources(computer))
        assert "NOT SAFE ON" in receipt_of(drive)
        filler.unlink()
        again = computer.send(drive.path)
        assert (again.exit_code, again.files_proven) == (ExitCode.PROVEN, 20)
        assert_valid(drive.path / BAG)


def fill(path):
    """Write until nothing more goes onto the drive."""
    with path.open("wb", buffering=0) as file:
        for size in (1 << 20, 64 << 10, 4 << 10):
            try:
                while file.write(b"\1" * size):
                    pass
            except OSError:
                continue


def test_a_write_protected_volume_is_told(volumes, computer):
    computer.small_night()
    with volumes("ext4") as drive:
        prepared(drive.path)
        subprocess.run(["mount", "-o", "remount,ro", drive.path], check=True)
        outcome = computer.send(drive.path)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert "write-protected" in outcome.message
        assert outcome.files_unproven == 5


# Time


def test_what_a_run_with_a_time_limit_proves_stays_proven_and_the_next_carries_the_rest(volumes, computer):
    computer.frames_of(20, 1 << 20)
    with volumes("exfat") as drive:
        prepared(drive.path)
        copied = [0]

        def count(event):
            counts = isinstance(event, BytesDone) and event.phase is not Phase.FLUSHING
            copied[0] += event.size_bytes if counts else 0

        # A drive that takes and gives 1 MB in a second, by a clock that goes as the bytes do.
        stop = Stop(20, clock=lambda: copied[0] / 1e6)
        outcome = computer.send(drive.path, stop=stop, listen=count)
        assert outcome.exit_code is ExitCode.STOPPED_EARLY
        proven = outcome.files_proven
        assert 0 < proven < 20
        assert len(listed_truly(drive.path / BAG)) == proven
        again = computer.send(drive.path)
        assert (again.exit_code, again.nights[0].carried) == (ExitCode.PROVEN, 20 - proven)
        assert_valid(drive.path / BAG)


def test_a_slow_volume_and_a_time_limit_on_the_command_line(volumes, computer):
    computer.frames_of(7, 1 << 20)
    with volumes("exfat") as drive:
        prepared(drive.path)
        drive.throttle(write_bytes_per_s=1_000_000, read_bytes_per_s=4_000_000)
        ran = computer.command(
            "send", "--json", "--drive", drive.path, "--time-limit", "3s", ends_within_s=60
        )
        assert ran.exit == ran.document["exit"] == ExitCode.STOPPED_EARLY
        assert len(listed_truly(drive.path / BAG)) == ran.document["files_proven"] < 7
        drive.throttle(0, 0)
        again = computer.send(drive.path)
        while again.exit_code is ExitCode.BUSY:  # what the system still holds of the first run lets go soon
            again = computer.send(drive.path)
        assert again.exit_code is ExitCode.PROVEN
        assert_valid(drive.path / BAG)


def start(computer, *words):
    return subprocess.Popen(
        command_line(*words, "--config", computer.file),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parents[3],
    )


def wait_for_a_part(program, bag):
    """Wait until the run is in the middle of its copying."""
    while program.poll() is None:
        if list((bag / "nightferry/incoming").glob("[2-9]*.part")):
            return
    raise AssertionError(program.communicate())


@pytest.mark.parametrize(
    ("number", "limit"),
    [
        (signal.SIGTERM, ()),
        (signal.SIGTERM, ("--time-limit", "1h")),
        (signal.SIGINT, ("--time-limit", "1h")),
        (getattr(signal, "SIGHUP", 1), ()),
    ],
)
def test_a_signal_in_the_middle_ends_the_run_in_order(volumes, computer, number, limit):
    computer.frames_of(12, 8 << 20)  # far more than is copied before the signal comes
    with volumes("ext4", size_mb=250) as drive:
        prepared(drive.path)
        drive.throttle(write_bytes_per_s=6_000_000, read_bytes_per_s=0)
        program = start(computer, "send", "--drive", drive.path, *limit)
        wait_for_a_part(program, drive.path / BAG)
        program.send_signal(number)
        program.send_signal(signal.SIGTERM)  # as a system does that is in a hurry: it means no other thing
        drive.throttle(0, 0)
        said, complained = program.communicate(timeout=60)
        assert (program.returncode, complained) == (ExitCode.STOPPED_EARLY, b"")
        assert b"NOT SAFE ON " in said
        listed_truly(drive.path / BAG)
        assert computer.send(drive.path).exit_code is ExitCode.PROVEN
        assert_valid(drive.path / BAG)


def test_a_second_run_on_the_same_drive_ends_at_once(volumes, computer):
    computer.frames_of(12, 1 << 20)
    with volumes("ext4") as drive:
        prepared(drive.path)
        drive.throttle(write_bytes_per_s=6_000_000, read_bytes_per_s=0)
        program = start(computer, "send", "--drive", drive.path)
        wait_for_a_part(program, drive.path / BAG)
        second = computer.send(drive.path)
        assert second.exit_code is ExitCode.BUSY
        assert "Another run" in second.message
        drive.throttle(0, 0)
        program.communicate(timeout=60)
        assert program.returncode == ExitCode.PROVEN
        assert_valid(drive.path / BAG)


# Death


@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_runs_killed_at_any_moment_leave_nothing_false_and_the_next_one_completes(volumes, computer, kind):
    moments = random.Random(f"killed on {kind}")
    computer.small_night()
    log = computer.logs / "mount.log"
    with volumes(kind) as drive:
        prepared(drive.path)
        for number in range(10):
            computer.frame(f"new_{number}.fits", data=noise(700_000, number))
            computer.append(log, b"another line\n")
            before = computer.fingerprint()
            send_and_kill(computer, drive.path, after_s=moments.uniform(0.01, 0.4))
            listed_truly(drive.path / BAG)
            assert_whole_or_older(drive.path / BAG, computer)
            if number % 2:
                outcome = computer.send(drive.path)
                assert outcome.exit_code is ExitCode.PROVEN, outcome
                assert_valid(drive.path / BAG)
                assert len(payload(drive.path / BAG)) == 6 + number
            assert computer.fingerprint() == before


def send_and_kill(computer, path, after_s):
    """Run in a process that is killed after so long, wherever it is then."""
    child = os.fork()
    if child == 0:
        try:
            computer.send(path)
        finally:
            os._exit(0)
    with os.fdopen(os.pidfd_open(child)) as handle:
        waiting = __import__("select").poll()
        waiting.register(handle, 1)
        waiting.poll(after_s * 1000)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def assert_whole_or_older(bag, computer):
    """No file under a final name is anything but its source, or a log's older part."""
    for path, content in payload(bag).items():
        _, source, original = path.split("/", 2)
        now = (sources(computer)[source] / original).read_bytes()
        assert now == content or (source == "logs" and now.startswith(content)), path


def test_a_power_cut_loses_no_file_that_was_claimed(volumes, computer):
    computer.small_night()
    with volumes("exfat") as drive:
        prepared(drive.path)
        os.sync()
        assert computer.send(drive.path).exit_code is ExitCode.PROVEN
        with drive.after_a_power_cut() as left:
            assert_valid(left.path / BAG)
            assert receipt_of(left).startswith("SAFE ON ")


# The drive leaves


def test_a_drive_whose_driver_dies_midway_is_told_and_the_night_completes_when_it_is_back(volumes, computer):
    computer.frames_of(12, 1 << 20)
    with volumes("exfat") as drive:
        prepared(drive.path)
        os.sync()
        pulled = []

        def pull(event):
            if isinstance(event, BytesDone) and not pulled:
                pulled.append(drive.server())
                os.kill(pulled[0], signal.SIGKILL)

        outcome = computer.send(drive.path, listen=pull)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert "The drive left" in outcome.message
        assert outcome.files_unproven == 12
        (kept,) = (computer.records / "receipts").iterdir()
        assert "NOT SAFE ON " in kept.read_text()
        named_again = computer.send(drive.path)
        assert named_again.exit_code is ExitCode.NOT_THERE
        drive.pull()
        drive.mount_again()
        assert computer.send(drive.path).exit_code is ExitCode.PROVEN
        assert_valid(drive.path / BAG)


@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_a_drive_that_is_unmounted_midway_never_becomes_a_folder_of_the_system(volumes, computer, kind):
    computer.frames_of(12, 1 << 20)
    with volumes(kind) as drive:
        mark = prepared(drive.path) / "nightferry-drive.toml"
        beneath = mark.read_text()

        def pull(event):
            if isinstance(event, BytesDone) and drive.mounted:
                drive.pull()
                (drive.path / mark.name).write_text(beneath)

        outcome = computer.send(drive.path, listen=pull)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert "The drive left" in outcome.message
        assert [path.name for path in drive.path.iterdir()] == [mark.name]
        mark.unlink()
        assert list((computer.records / "receipts").iterdir())


def test_a_device_that_loses_its_blocks_is_told(volumes, computer):
    computer.frames_of(12, 1 << 20)
    with volumes("ext4") as drive:
        prepared(drive.path)
        os.sync()

        def lose(event):
            if isinstance(event, BytesDone) and drive.image.stat().st_size:
                os.truncate(drive.image, 0)

        outcome = computer.send(drive.path, listen=lose)
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert outcome.files_proven == 0


# In the morning


def test_a_night_is_proven_again_where_the_drive_is_mounted_elsewhere_and_found_by_its_mark(
    volumes, computer, tmp_path
):
    computer.small_night()
    name = f"Stick {uuid.uuid4()}"
    computer.drives = [f'name = "{name}"']
    computer.configure()
    with volumes("exfat") as drive:
        prepared(drive.path, name)
        assert computer.send().exit_code is ExitCode.PROVEN
        drive.unmount()
        assert computer.send().exit_code is ExitCode.NOT_THERE
        drive.path = tmp_path / "elsewhere"
        drive.path.mkdir()
        drive.mount_again()
        checked = run("check", drive.path, "--json")
        assert (checked.exit, checked.document["bags"][0]["verified"]) == (ExitCode.PROVEN, 5)
        computer.frame("late.fits", begun="2026-03-15T02:00:00")
        assert computer.send().files_proven == 6
        assert_valid(drive.path / BAG)


@pytest.mark.parametrize("kind", ["exfat", "ext4"])
def test_a_byte_that_changes_behind_the_file_system_is_found_and_named(volumes, computer, kind):
    computer.small_night()
    frame = computer.frame("marked.fits", data=noise(50_000, 99))
    with volumes(kind) as drive:
        prepared(drive.path)
        computer.send(drive.path)
        drive.flip(noise(50_000, 99)[:512], at=100)
        checked = run("check", drive.path, "--json")
        assert checked.exit == ExitCode.SOMETHING_UNPROVEN
        (bag,) = checked.document["bags"]
        assert (bag["changed"], bag["verified"]) == ([f"data/frames/{frame.name}"], 5)
