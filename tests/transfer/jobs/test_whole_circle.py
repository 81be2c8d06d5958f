"""Three nights on real volumes: sent, carried, filed into two archives, brought home, cleared; one healed."""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.conftest import VolumeFactory
from tests.support.desks import Desk
from tests.support.in_memory import folder_in_memory
from tests.support.nights import Computer, assert_valid, noise, prepared
from tests.support.volumes import Volume
from transfer.config import Archive
from transfer.engine.medium import this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.check.run import Asked, checked
from transfer.jobs.clear.run import ready_to_clear
from transfer.jobs.heal.run import HealRequest, heal
from transfer.stop import Stop

NIGHTS = ("2026-03-14", "2026-03-15", "2026-03-16")


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with folder_in_memory() as folder:
        yield folder


def take_a_night(computer: Computer, night: str, seed: int) -> dict[str, str]:
    """Put a night's frames and logs into the sources; return the digest of each new file, by its path."""
    before = set(sources(computer))
    evening_ns = int(datetime.fromisoformat(f"{night}T22:00:00+00:00").timestamp()) * 10**9
    files = [
        computer.frame(f"{night}_light_{n}.fits", begun=f"{night}T22:0{n}:00", data=noise(60_000, seed + n))
        for n in range(4)
    ]
    files.append(
        computer.frame(
            f"{night}_dark.fits", begun=f"{night}T23:00:00", kind="Dark", data=noise(60_000, seed + 9)
        )
    )
    files.append(computer.log(f"{night}.log", noise(300, seed)))
    for file in files:
        os.utime(file, ns=(evening_ns, evening_ns))
    return {path: digest for path, digest in sources(computer).items() if path not in before}


def sources(computer: Computer) -> dict[str, str]:
    below = computer.root / "computer"
    files = (path for path in below.rglob("*") if path.is_file())
    return {
        path.relative_to(below).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files
    }


def contents_of(archive: Path) -> set[str]:
    """Return the digest of each file that an archive's bags have, all of them proven valid by other tools."""
    found = set()
    for bag in (path.parent for path in archive.rglob("bagit.txt")):
        assert_valid(bag)
        payload = (path for path in (bag / "data").rglob("*") if path.is_file())
        found |= {hashlib.sha256(path.read_bytes()).hexdigest() for path in payload}
    return found


def clear(computer: Computer, now: datetime) -> int:
    """Run `clear --delete` on the imaging computer; return how many files went."""
    records = Records(computer.records)
    around = Surroundings(this_computer(), records, Stop(), clock=lambda: now)
    with ready_to_clear(computer.config(), around, hold=True) as run:
        return run.delete(records.folder).deleted


def damage_at_random(archive: Path, dice: random.Random) -> int:
    """Flip a bit of one file, whose size and time stay, cut another short, remove a third."""
    payload = sorted(path for path in archive.rglob("data/**/*") if path.is_file())
    flipped, cut, gone = dice.sample(payload, 3)
    facts, content = flipped.stat(), bytearray(flipped.read_bytes())
    content[dice.randrange(len(content))] ^= 1 << dice.randrange(8)
    flipped.write_bytes(content)
    os.utime(flipped, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    os.truncate(cut, dice.randrange(cut.stat().st_size))
    gone.unlink()
    return 3


class Circle:
    """An imaging computer, its stick, and a desk with two archives on disks of their own."""

    def __init__(self, computer: Computer, stick: Volume, desk: Desk) -> None:
        self.computer, self.stick, self.desk = computer, stick, desk
        self.house, self.attic = desk.archive, desk.others["attic"]

    def carry(self) -> None:
        """Take the stick from one computer to the other: nothing of it is in memory any more."""
        self.stick.unmount()
        self.stick.mount_again()

    def at_the_desk(self, *into: Archive) -> None:
        """Carry the stick to the desk, file it there, and carry it home."""
        self.carry()
        assert self.desk.file(self.stick.path, into=into).exit_code is ExitCode.PROVEN
        self.carry()

    def clear_beside_a_stick_without_nights(self, now: datetime) -> int:
        """Let the computer read what the stick says, then clear while the nights on it do not count."""
        assert self.computer.send(self.stick.path).exit_code is ExitCode.PROVEN
        self.computer.drives = ["name = 'No stick that is here'"]
        self.computer.configure()
        try:
            return clear(self.computer, now)
        finally:
            self.computer.drives = []
            self.computer.configure()


def test_three_nights_go_round_and_what_is_deleted_is_proven_in_both_archives(
    volumes: VolumeFactory, computer: Computer, tmp_path: Path
) -> None:
    """The attic is away on the first night: what it has not got yet stays in the sources, and goes later."""
    now = datetime(2026, 3, 20, 12, tzinfo=UTC)
    with volumes("exfat") as stick, volumes("ext4") as disk, volumes("ext4") as other:
        prepared(stick.path, "Stick")
        desk = Desk(tmp_path / "desk", archive_at=disk.path / "a", others={"attic": other.path / "b"})
        circle = Circle(computer, stick, desk)
        house = Archive(circle.house, "house")
        for number, night in enumerate(NIGHTS):
            new = take_a_night(computer, night, 100 * number)
            assert computer.send(stick.path).exit_code is ExitCode.PROVEN
            circle.at_the_desk(*((house,) if number == 0 else ()))
            if number == 1:
                assert desk.file(from_archive=house).exit_code is ExitCode.PROVEN
                circle.at_the_desk()
            before = sources(computer)
            deleted = circle.clear_beside_a_stick_without_nights(now)
            left = sources(computer)
            gone = {digest for path, digest in before.items() if path not in left}
            assert len(gone) == deleted == (0, 12, 6)[number]
            assert gone <= contents_of(circle.house) & contents_of(circle.attic)
            assert set(left.values()) == (set(new.values()) if number == 0 else set())
        around = Surroundings(this_computer(), Records(desk.root / "records"), Stop(), clock=lambda: now)
        harmed = damage_at_random(circle.house, random.Random(7))
        assert checked((circle.house,), Asked(), around).exit_code is ExitCode.SOMETHING_UNPROVEN
        healed = heal(HealRequest(house, Archive(circle.attic, "attic")), around)
        assert healed.exit_code is ExitCode.PROVEN, healed
        assert sum(len(bag.healed) for bag in healed.bags) == harmed
        assert contents_of(circle.house) == contents_of(circle.attic)
        assert len(contents_of(circle.house)) == 18
