"""Filing on real file systems: killed at any moment, into a full archive, from a drive that leaves."""

import os
import random
import select
import signal
import subprocess
from pathlib import Path

import pytest

from manifests.bags.paths import OWN
from manifests.findings import FindingKind
from tests.support.desks import Desk, fingerprint
from tests.support.nights import NIGHT, Computer, listed_truly, payload, prepared
from tests.support.systems import need_every_name
from transfer.errors import ExitCode
from transfer.events import BytesDone


def file_and_kill(desk: Desk, drive: Path, after_s: float) -> None:
    """File in a process that is killed after so long, wherever it is then."""
    child = os.fork()
    if child == 0:
        try:
            desk.file(drive)
        finally:
            os._exit(0)
    with os.fdopen(os.pidfd_open(child)) as handle:
        ended = select.poll()
        ended.register(handle, select.POLLIN)
        ended.poll(after_s * 1000)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def sent(computer: Computer, drive: Path, frames: int = 8, size_bytes: int = 1 << 20) -> Path:
    computer.frames_of(frames, size_bytes)
    computer.log("mount.log")
    prepared(drive)
    assert computer.send(drive).exit_code is ExitCode.PROVEN
    return drive / NIGHT.isoformat()


def assert_nothing_false(desk: Desk, night: Path) -> None:
    """What a manifest lists is there and matches; what has a final name is a file of the night, whole."""
    contents = set(payload(night).values())
    for bag in desk.bags():
        listed_truly(bag)
    assert set(desk.files().values()) <= contents


def test_runs_killed_at_any_moment_leave_nothing_false_and_the_next_one_completes(volumes, computer):
    moments = random.Random("killed while filing")
    with volumes("exfat") as drive, volumes("ext4", size_mb=256) as disk:
        night = sent(computer, drive.path)
        before = fingerprint(night / "data")
        for number in range(8):
            desk = Desk(computer.root / f"desk {number}", archive_at=disk.path / f"archive {number}")
            file_and_kill(desk, drive.path, moments.uniform(0.02, 0.8))
            assert_nothing_false(desk, night)
            outcome = desk.file(drive.path)
            assert outcome.exit_code is ExitCode.PROVEN, outcome
            assert outcome.filed + outcome.already_there == 9
            assert sorted(desk.files().values()) == sorted(payload(night).values())
            desk.assert_all_valid()
            assert fingerprint(night / "data") == before
            listed_truly(night)


def test_a_night_that_the_archives_disk_cannot_hold_is_exit_4_and_what_is_listed_is_whole(volumes, computer):
    with volumes("exfat") as drive, volumes("ext4", size_mb=16) as disk:
        night = sent(computer, drive.path, frames=24)
        desk = Desk(computer.root / "desk", archive_at=disk.path / "archive")
        outcome = desk.file(drive.path)
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert str(disk.path) in outcome.message + outcome.next_step
        assert_nothing_false(desk, night)
        assert not list((night / OWN).glob("acknowledgement-*"))
        roomy = Desk(computer.root / "roomy desk")
        assert roomy.file(drive.path).filed == 25


def test_an_archive_that_cannot_be_written_to_is_told_and_the_drive_has_no_word(volumes, computer):
    with volumes("exfat") as drive, volumes("ext4") as disk:
        night = sent(computer, drive.path, frames=2)
        desk = Desk(computer.root / "desk", archive_at=disk.path / "archive")
        subprocess.run(["mount", "-o", "remount,ro", disk.path], check=True)
        outcome = desk.file(drive.path)
        assert outcome.exit_code is not ExitCode.PROVEN
        assert outcome.filed == 0
        assert str(desk.archive) in outcome.message
        assert not list((night / OWN).glob("acknowledgement-*"))


def test_a_drive_that_cannot_be_written_to_is_filed_and_that_it_has_no_word_is_said(volumes, computer, desk):
    with volumes("ext4") as drive:
        night = sent(computer, drive.path, frames=2)
        subprocess.run(["mount", "-o", "remount,ro", drive.path], check=True)
        outcome = desk.file(drive.path)
        assert outcome.filed == 3
        assert len(desk.files()) == 3
        assert not list((night / OWN).glob("acknowledgement-*"))
        told = outcome.as_json()["deliveries"][0]
        assert told["acknowledged"] is False, told


def test_a_drive_that_leaves_midway_is_told_and_the_rest_is_filed_when_it_is_back(volumes, computer):
    with volumes("exfat") as drive, volumes("ext4", size_mb=128) as disk:
        night = sent(computer, drive.path, frames=24)
        sent_files = sorted(payload(night).values())
        desk = Desk(computer.root / "desk", archive_at=disk.path / "archive")
        drivers = []

        def leave(event: object) -> None:
            if isinstance(event, BytesDone) and not drivers:
                drivers.append(drive.server())
                os.kill(drivers[0], signal.SIGKILL)

        outcome = desk.file(drive.path, listen=leave)
        assert drivers
        assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
        assert outcome.filed < 25
        for bag in desk.bags():
            listed_truly(bag)
        drive.pull()
        drive.mount_again()
        again = desk.file(drive.path)
        assert again.exit_code is ExitCode.PROVEN, again
        assert sorted(desk.files().values()) == sent_files
        desk.assert_all_valid()


@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4"])
def test_an_archive_on_any_disk_is_proven_from_the_medium_and_proves_itself_elsewhere(
    volumes, computer, stick, kind
):
    computer.small_night()
    computer.frames_of(4, 300_000)
    computer.send(stick)
    with volumes(kind) as disk:
        desk = Desk(computer.root / "desk", archive_at=disk.path / "archive")
        outcome = desk.file(stick)
        assert (outcome.exit_code, outcome.filed, outcome.from_medium) == (ExitCode.PROVEN, 9, True)
        disk.unmount()
        disk.mount_again()
        desk.assert_all_valid()
        assert desk.file(stick).already_there == 9


@need_every_name
def test_an_archive_on_a_disk_that_takes_few_names_keeps_every_file(volumes, computer, stick):
    computer.frame("M 51: core?/light<1>.fits", target="M 51: core?", filter_name="L*")
    computer.log("a?b.log")
    computer.send(stick)
    with volumes("fat32") as disk:
        desk = Desk(computer.root / "desk", archive_at=disk.path / "archive")
        outcome = desk.file(stick)
        assert (outcome.exit_code, outcome.filed) == (ExitCode.PROVEN, 2)
        desk.assert_all_valid()
        assert desk.file(stick).already_there == 2


def test_an_archive_on_a_disk_without_shared_memory_has_an_index(volumes, computer, stick):
    computer.small_night()
    computer.send(stick)
    with volumes("fat32") as disk:
        desk = Desk(computer.root / "desk", archive_at=disk.path)
        for _ in range(2):
            assert FindingKind.INDEX_BEHIND not in [one.kind for one in desk.file(stick).all_findings()]
        shown = desk.command("frames", "--json").document["frames"]
        assert [frame["target"] for frame in shown if frame["type"] == "light"] == ["M 51", "M 51"]
