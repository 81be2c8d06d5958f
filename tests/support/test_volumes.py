"""The volumes that other tests stand on are what they say, and leave nothing behind."""

import contextlib
import os
from pathlib import Path

import pytest

from tests.support.volumes import KINDS, need_tools

MARKED = b"a frame's bytes that stand nowhere else" * 400


def _mounted(path):
    return any(f" {path} " in line for line in Path("/proc/self/mountinfo").read_text().splitlines())


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_written_to_a_volume_is_there_when_it_is_mounted_again(volumes, kind):
    with volumes(kind) as drive:
        (drive.path / "a.fits").write_bytes(MARKED)
        drive.unmount()
        assert not (drive.path / "a.fits").exists()
        drive.mount_again()
        assert (drive.path / "a.fits").read_bytes() == MARKED


@pytest.mark.parametrize("kind", KINDS)
def test_a_volume_is_taken_down_when_its_test_fails_with_a_file_open(volumes, kind):
    with contextlib.ExitStack() as held:
        with contextlib.suppress(ZeroDivisionError), volumes(kind) as drive:
            held.enter_context((drive.path / "a.fits").open("wb"))
            raise ZeroDivisionError
        assert not _mounted(drive.path)
        assert not drive.image.parent.exists()


def test_nothing_is_left_of_a_volume_that_was_pulled_and_written_beneath(volumes):
    with volumes("ext4") as drive:
        drive.pull()
        (drive.path / "night").mkdir()
    assert not drive.image.parent.exists()


@pytest.mark.parametrize("kind", ["ext4", "exfat", "ntfs"])
def test_a_device_counts_what_it_takes_and_gives(volumes, kind):
    with volumes(kind) as drive:
        taken = drive.written()
        (drive.path / "a.fits").write_bytes(os.urandom(4 << 20))
        drive.unmount()
        assert drive.written() - taken >= 4 << 20
        given = drive.served()
        drive.mount_again()
        (drive.path / "a.fits").read_bytes()
        assert drive.served() - given >= 4 << 20


@pytest.mark.parametrize("kind", KINDS)
def test_a_byte_flipped_in_the_image_is_in_the_file(volumes, kind):
    marked = os.urandom(100_000)
    with volumes(kind) as drive:
        (drive.path / "a.fits").write_bytes(marked)
        drive.unmount()
        drive.flip(marked[:64], at=7)
        drive.mount_again()
        read = (drive.path / "a.fits").read_bytes()
    assert [place for place, byte in enumerate(read) if byte != marked[place]] == [7]


@pytest.mark.parametrize("kind", KINDS)
def test_a_power_cut_keeps_what_was_flushed(volumes, kind):
    with volumes(kind) as drive:
        (drive.path / "a.fits").write_bytes(MARKED)
        os.sync()
        with drive.after_a_power_cut() as left:
            assert left.path != drive.path
            assert (left.path / "a.fits").read_bytes() == MARKED


def test_two_volumes_at_once_are_two_devices(volumes):
    with volumes("ext4") as one, volumes("ext4") as other:
        assert one.device != other.device
        (one.path / "a.fits").write_bytes(b"one")
        assert not (other.path / "a.fits").exists()


def test_a_throttled_device_says_so_and_is_let_go_of(volumes):
    table = Path("/sys/fs/cgroup/blkio/blkio.throttle.write_bps_device")
    with volumes("ext4") as drive:
        drive.throttle(write_bytes_per_s=40_000_000, read_bytes_per_s=120_000_000)
        assert f"{drive.number} 40000000" in table.read_text()
        number = drive.number
    assert f"{number} " not in table.read_text()


@pytest.mark.parametrize(("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)])
def test_a_tool_that_is_missing_fails_in_ci_and_skips_elsewhere(monkeypatch, ci, outcome):
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="needs no-such-program"):
        need_tools("umount", "no-such-program")
