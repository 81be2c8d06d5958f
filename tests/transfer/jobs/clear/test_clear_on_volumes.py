"""Letting go on real file systems: nights in a row, volumes below a source, no room for the ledger."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, noise, prepared
from tests.transfer.jobs.clear.conftest import LATER, Home
from transfer.config import Archive
from transfer.engine.ledger import NAME
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.check.run import Asked, checked
from transfer.jobs.heal.run import HealRequest, heal
from transfer.stop import Stop

NIGHTS = ("2026-03-14", "2026-03-15", "2026-03-16")


def brought(computer: Computer, drive: Path, desk: Desk) -> Home:
    computer.drives = [f"name = 'Field stick'\nfolder = '{drive}'"]
    computer.configure()
    return Home(computer, drive, desk)


@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4"])
def test_three_nights_in_a_row_go_exactly_where_archive_and_drive_have_them(volumes, kind, tmp_path, desk):
    with volumes(kind) as drive, volumes("ext4") as disk:
        computer = Computer(disk.path / "imaging")
        home = brought(computer, prepared(drive.path), desk)
        ever: dict[str, bytes] = {}
        for number, night in enumerate(NIGHTS):
            for frame in range(3):
                computer.frame(
                    f"{night}/light {frame}.fits", begun=f"{night}T23:00:00", data=noise(9000, frame)
                )
            ever |= {path: (computer.root / "computer" / path).read_bytes() for path in home.files()}
            assert computer.send(drive.path).exit_code is ExitCode.PROVEN
            drive.unmount()
            drive.mount_again()
            unfiled = home.clear()
            assert (unfiled.deleted, len(home.files())) == (0, 3)
            assert desk.file(drive.path).exit_code is ExitCode.PROVEN
            drive.unmount()
            drive.mount_again()
            cleared = home.clear()
            assert (cleared.exit_code, cleared.deleted, home.files()) == (ExitCode.PROVEN, 3, [])
            assert len(ever) == 3 * (number + 1)
            assert set(ever.values()) <= set(desk.files().values())


def test_what_lies_on_another_volume_than_its_source_stays(volumes, home):
    with volumes("ext4") as disk:
        folder = home.computer.frames / "other disk"
        folder.symlink_to(disk.path)
        (disk.path / "light 9.fits").write_bytes(noise(9000, 9))
        os.utime(disk.path / "light 9.fits", (LATER.timestamp() - 9e5,) * 2)
        home.computer.configure()
        home.computer.send(home.stick)
        home.desk.file(home.stick)
        home.clear()
        assert (disk.path / "light 9.fits").exists()


def test_a_volume_mounted_below_a_source_is_not_touched(volumes, computer, stick, desk):
    with volumes("ext4") as disk:
        home = brought(computer, stick, desk)
        mounted = disk.path.parent
        source = Path(mounted)
        computer.file.write_text(
            computer.file.read_text()
            .replace('folder = "computer/frames"', f"folder = '{source}'")
            .replace('kind = "frames"', 'kind = "frames"\ntake = ["mounted/*.fits", "own.fits"]')
        )
        for path in (disk.path / "light.fits", source / "own.fits"):
            path.write_bytes(noise(9000, len(path.name)))
            os.utime(path, (LATER.timestamp() - 9e5,) * 2)
        home.carry()
        outcome = home.clear()
        assert home.why(outcome)["frames/mounted/light.fits"].startswith("it lies on another volume")
        assert (disk.path / "light.fits").exists()
        assert not (source / "own.fits").exists()


def fill(folder: Path) -> None:
    """Write until there is no room any more."""
    with (folder / "filling").open("wb", buffering=0) as filling, contextlib.suppress(OSError):
        while True:
            filling.write(bytes(4096))


def test_on_a_disk_without_room_for_the_ledger_nothing_goes(volumes, carried):
    with volumes("ext4") as disk:
        shutil.copytree(carried.computer.records, disk.path / "records")
        shutil.rmtree(carried.computer.records)
        carried.computer.records.symlink_to(disk.path / "records")
        (disk.path / "records" / NAME).touch()
        fill(disk.path)
        outcome = carried.clear()
        assert outcome.exit_code is ExitCode.DOES_NOT_FIT
        assert "nothing goes without it" in outcome.message
        assert (outcome.deleted, len(carried.files())) == (0, 5)


def test_the_whole_circle_with_two_archives_of_which_one_is_damaged_and_healed(volumes, tmp_path):
    with (
        volumes("exfat") as drive,
        volumes("ext4") as disk,
        volumes("ext4") as first,
        volumes("ntfs") as second,
    ):
        house, attic = first.path / "archive", second.path / "archive"
        desk = Desk(tmp_path / "desk", archive_at=house, others={"attic": attic})
        computer = Computer(disk.path / "imaging")
        home = brought(computer, prepared(drive.path), desk)
        ever: dict[str, bytes] = {}
        for night in NIGHTS:
            for frame in range(3):
                name, content = f"{night}/light {frame}.fits", noise(9000, len(ever) + frame)
                computer.frame(name, begun=f"{night}T23:00:00", data=content)
            ever |= {path: (computer.root / "computer" / path).read_bytes() for path in home.files()}
            assert computer.send(drive.path).exit_code is ExitCode.PROVEN
            drive.unmount()
            drive.mount_again()
            assert desk.file(drive.path).exit_code is ExitCode.PROVEN
            drive.unmount()
            drive.mount_again()
            assert (home.clear().deleted, home.files()) == (3, [])
        harmed = damaged_at_random(house)
        around = Surroundings(this_computer(), Records(desk.root / "records"), Stop(), clock=lambda: LATER)
        checked((house,), Asked(), around)
        healed = heal(HealRequest(Archive(house, "house"), Archive(attic, "attic")), around)
        assert healed.exit_code is ExitCode.PROVEN, healed
        assert sum(len(bag.healed) for bag in healed.bags) == len(harmed)
        desk.assert_all_valid()
        assert sorted(desk.files().values()) == sorted(ever.values())


def damaged_at_random(archive: Path) -> list[Path]:
    """Change a byte of one frame, cut another off, remove a third, and change a list; return the frames."""
    dice = random.Random(20260314)
    changed, cut, gone = harmed = dice.sample(sorted(archive.rglob("data/**/*.fits")), 3)
    content = bytearray(changed.read_bytes())
    content[dice.randrange(len(content))] ^= 1 << dice.randrange(8)
    changed.write_bytes(content)
    os.truncate(cut, dice.randrange(cut.stat().st_size))
    gone.unlink()
    entries = next(archive.rglob("entries.jsonl"))
    lines = entries.read_bytes().splitlines(keepends=True)
    entries.write_bytes(b"".join(lines[:1] + lines[2:]))
    return harmed
