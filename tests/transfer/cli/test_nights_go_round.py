"""Three nights in a row on real volumes: sent, carried, filed into two archives, brought home, let go of."""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import VolumeFactory
from tests.support.nights import EVENING_NS, Computer, Ran, assert_valid, noise, prepared, run
from tests.support.volumes import Volume

NIGHTS = ("2026-03-14", "2026-03-15", "2026-03-16")
_DAY_NS = 86_400 * 10**9


class Desk:
    """The computer that has both archives; it never sees the telescope's."""

    def __init__(self, folder: Path, house: Path, attic: Path) -> None:
        folder.mkdir()
        self.archives = (house / "archive of the house", attic)
        self.archives[0].mkdir()
        self.file = folder / "nightferry.toml"
        each = zip(("house", "attic"), self.archives, strict=True)
        archives = "".join(f'[[archive]]\nname = "{name}"\nfolder = "{root}"\n' for name, root in each)
        site = '[site]\nname = "Test Down"\nlatitude = 51.2\nlongitude = -1.9\n'
        self.file.write_text(f'{site}{archives}[records]\nfolder = "records"\n', encoding="utf-8")

    def command(self, *words: str | Path) -> Ran:
        """Run the command there."""
        return run(*words, "--json", "--config", self.file)


def contents_of(archive: Path) -> set[str]:
    """Return the digest of each file of an archive's payload."""
    return {hashlib.sha256(path.read_bytes()).hexdigest() for path in payload_of(archive)}


def payload_of(archive: Path) -> list[Path]:
    """Return the files of all bags of an archive."""
    return sorted(path for bag in archive.glob("**/data") for path in bag.rglob("*") if path.is_file())


def told(ran: Ran) -> dict[str, Any]:
    assert ran.exit == 0, ran.out + ran.err
    return ran.document


def put_night(computer: Computer, number: int) -> None:
    """Write a night's frames and its log."""
    night = NIGHTS[number]
    files = [
        computer.frame(
            f"{night}/M 51/{name}/light {each}.fits",
            begun=f"{night}T22:{each:02}:00",
            filter_name=name,
            data=noise(40_000, 100 * number + 10 * at + each),
        )
        for at, name in enumerate(("Ha", "OIII"))
        for each in range(3)
    ]
    files.append(computer.log(f"{night}/focus runs.log", noise(3_000, 100 * number + 99)))
    for file in files:
        os.utime(file, ns=(EVENING_NS + number * _DAY_NS,) * 2)


@pytest.fixture
def disks(volumes: VolumeFactory) -> Iterator[tuple[Volume, Volume, Volume]]:
    """Return a stick, and the disks of the two archives."""
    with volumes("exfat") as stick, volumes("ext4") as house, volumes("ntfs") as attic:
        prepared(stick.path)
        yield stick, house, attic


def carry(stick: Volume) -> None:
    """Unplug the stick and plug it in elsewhere: nothing that only memory had is there."""
    stick.unmount()
    stick.mount_again()


def test_three_nights_go_round_and_an_archive_that_was_damaged_is_healed(
    disks: tuple[Volume, Volume, Volume], tmp_path: Path
) -> None:
    stick, house, attic = disks
    computer = Computer(tmp_path / "telescope", drives=[f'name = "Field stick"\nfolder = "{stick.path}"'])
    desk = Desk(tmp_path / "desk", house.path, attic.path)
    ever: set[str] = set()
    for number in range(len(NIGHTS)):
        put_night(computer, number)
        carried = computer.fingerprint()
        ever |= {sha256 for sha256, _ in carried.values()}
        assert told(computer.command("send", "--json"))["files_unproven"] == 0
        carry(stick)
        told(desk.command("file", stick.path, "--no-measures"))
        carry(stick)
        late = computer.frame(f"late {number}.fits", data=noise(40_000, 900 + number))

        told(computer.command("clear", "--json"))
        assert carried.keys() < computer.fingerprint().keys(), "clear alone deletes nothing"
        assert told(computer.command("clear", "--delete", "--json"))["deleted"] == len(carried)
        assert list(computer.fingerprint()) == [os.fspath(late)], "which nobody has yet"
        for archive in desk.archives:
            assert ever <= contents_of(archive)

    damaged = damage(desk.archives[0], random.Random(29))
    assert desk.command("check", desk.archives[0]).exit == 1
    healed = told(desk.command("heal", "house", "--from", "attic"))
    assert sum(len(bag["healed"]) for bag in healed["bags"]) == len(damaged)
    assert {path: path.read_bytes() for path in damaged} == damaged
    told(desk.command("check", desk.archives[0]))
    for archive in desk.archives:
        for bag in {path.parent for path in archive.glob("**/bagit.txt")}:
            assert_valid(bag)


def damage(archive: Path, dice: random.Random) -> dict[Path, bytes]:
    """Flip a bit in some files of an archive and remove one; return what they were."""
    chosen = dice.sample(payload_of(archive), 4)
    was = {path: path.read_bytes() for path in chosen}
    for path in chosen[:3]:
        content, at = bytearray(was[path]), dice.randrange(len(was[path]))
        content[at] ^= 1 << dice.randrange(8)
        path.write_bytes(content)
    chosen[3].unlink()
    return was
