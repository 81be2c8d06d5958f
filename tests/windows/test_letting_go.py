"""What is deleted on Windows, and by what right; an archive that the other one heals."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from tests.support.nights import EVENING_NS, Computer, assert_valid, noise, prepared
from tests.windows.rig import Rig

EARLY, LATE = "2026-03-14", "2026-03-15"
_TWO_ARCHIVES = """
[[archive]]
name = "house"
folder = 'F:\\Archiv ü'
[[archive]]
name = "attic"
folder = 'H:\\'
[clear]
keep_nights = 1
"""


@pytest.fixture
def computer(rig: Rig) -> Computer:
    """Two nights below the user's own folder, and the archives that they are to be filed into."""
    made = Computer(rig.user_folder / "Nächte am Rohr", more=_TWO_ARCHIVES)
    for number, night in enumerate((EARLY, LATE)):
        files = [
            made.frame(
                f"{night}/Hα/light {each}.fits",
                begun=f"{night}T22:0{each}:00",
                data=noise(9000, 9 * number + each),
            )
            for each in (1, 2)
        ]
        files.append(made.log(f"{night}/Fokus – ä.log", noise(300, number)))
        when_ns = EVENING_NS + number * 86_400 * 10**9
        for file in files:
            os.utime(file, ns=(when_ns, when_ns))
    return made


def _left(computer: Computer) -> list[str]:
    return sorted(path.name for path in (computer.root / "computer").rglob("*") if path.is_file())


def _in_ledger(computer: Computer) -> list[str]:
    lines = (computer.records / "cleared.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line)["path"] for line in lines]


def _told(ran, exit_code=0):
    assert ran.exit == exit_code, ran.out + ran.err
    return ran.document


def _filed(rig: Rig, computer: Computer, stick: Path, house: Path) -> None:
    """Carry both nights to the stick, and from there into both archives."""
    prepared(stick)
    (house / "Archiv ü").mkdir()
    config = ("--config", computer.file, "--json")
    assert _told(rig.run("send", "--all", *config))["files_proven"] == 6
    assert _told(rig.run("file", "--no-measures", *config))["exit"] == 0


def test_nights_go_round_are_deleted_and_an_archive_is_healed_by_the_other(rig, computer):
    config = ("--config", computer.file, "--json")
    with (
        rig.volume("e", "exfat") as stick,
        rig.volume("f", "ntfs") as house,
        rig.volume("h", "exfat") as attic,
    ):
        _filed(rig, computer, stick.path, house.path)
        assert _told(rig.run("copies", *config))["copies"][0]["in_one_place_only"] == 0
        assert _told(rig.run("clear", *config))["nights"][0]["may_go"] == 3
        assert len(_left(computer)) == 6, "which clear alone deletes nothing of"

        freed = _told(rig.run("clear", "--drive", "--delete", *config))
        assert freed["deleted"] == 3
        assert sorted(path.name for path in stick.path.iterdir() if path.is_dir()) == [LATE]

        cleared = _told(rig.run("clear", "--delete", *config))
        assert (cleared["deleted"], _left(computer)) == (6, [])
        assert list(computer.frames.iterdir()) == [], "folders that are empty go as well"
        assert len(_in_ledger(computer)) == 3 + 6

        damaged, gone = sorted(house.path.glob("Archiv ü/M 51/data/*/Ha/*.fits"))[:2]
        content = damaged.read_bytes()
        damaged.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
        gone.unlink()
        assert rig.run("check", "F:\\Archiv ü", *config).exit == 1
        healed = _told(rig.run("heal", "house", "--from", "attic", *config))
        assert sum(len(bag["healed"]) for bag in healed["bags"]) == 2
        assert damaged.read_bytes() == content
        for archive in (house.path / "Archiv ü", attic.path):
            for bag in ("M 51", f"nights/{EARLY}", f"nights/{LATE}"):
                assert_valid(archive / bag)


def test_the_file_that_was_hashed_is_the_one_that_goes_and_what_is_open_elsewhere_stays(rig, computer):
    """Between digest and removal no other program of Windows can replace a file, or write to it."""
    words = ("clear", "--delete", "--json", "--config", computer.file)
    hashed, opened = (computer.frames / f"{EARLY}/Hα/light {each}.fits" for each in (1, 2))
    with rig.volume("e", "exfat") as stick, rig.volume("f", "ntfs") as house, rig.volume("h", "exfat"):
        _filed(rig, computer, stick.path, house.path)
        with rig.another_program_holds("written", opened):
            run = rig.at_a_call("hold@remove_opened", 1, *words)
            assert rig.is_held(run)
            newer = computer.frame("newer.fits", data=noise(9000, 77))
            assert _is_refused(rig, "os.replace(sys.argv[1], sys.argv[2])", newer, hashed)
            assert _is_refused(rig, "open(sys.argv[1], 'r+b')", hashed)
            ran = _told(rig.let_go(run), 1)
        stays = ran["nights"][0]["stays"]
        told = (f"frames/{EARLY}/Hα/light 2.fits", "another program has it open")
        assert [(each["path"], each["why"]) for each in stays] == [told]
        assert (ran["deleted"], _left(computer)) == (5, [opened.name, newer.name])
        assert _told(rig.run(*words))["deleted"] == 1
        assert _left(computer) == [newer.name]


def _is_refused(rig: Rig, act: str, *files: Path) -> bool:
    """Return whether Windows refuses another program an act with files."""
    tried = f"import os, sys\ntry:\n    {act}\nexcept PermissionError:\n    sys.exit(7)\n"
    return rig.call(rig.python("-c", tried, *files)).exit == 7
