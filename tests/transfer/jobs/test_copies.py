"""`copies`: where each night and target is, when it was last proven there, and what is in one place only."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.in_memory import folder_in_memory
from tests.support.nights import Computer, noise, prepared
from transfer.engine.medium import this_computer
from transfer.engine.medium.base import Volume
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ExitCode
from transfer.jobs.copies import copies
from transfer.stop import Stop

LIGHT = "M 51/data/2026-03-14/Ha/light_1.fits"


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with folder_in_memory() as folder:
        yield folder


@pytest.fixture
def stick(tmp_path: Path, computer: Computer) -> Path:
    for number in (1, 2):
        computer.frame(f"light_{number}.fits", data=noise(900, number))
    computer.frame("dark.fits", kind="Dark", data=noise(900, 9))
    computer.log("mount.log")
    stick = prepared(tmp_path / "a stick", "Larch stick")
    computer.send(stick)
    return stick


@pytest.fixture
def desk(tmp_path: Path, stick: Path) -> Desk:
    """Return a desk with the night in two archives; the stick is connected."""
    drive = f"[[drive]]\nname = 'Larch stick'\nfolder = '{stick}'\n"
    desk = Desk(tmp_path / "desk", others={"attic": tmp_path / "attic"}, more=drive)
    assert desk.file(stick).exit_code == 0
    return desk


def places(document: dict, target: str) -> dict[str, tuple[int, int]]:
    (row,) = [row for row in document["copies"] if row["target"] == target]
    return {place["name"]: (place["files"], place["damaged"]) for place in row["places"]}


def test_each_night_and_target_is_listed_with_every_place_that_has_it(desk: Desk):
    ran = desk.command("copies", "--json")
    assert ran.exit == 0, ran.err
    told = ran.document
    assert [(row["night"], row["target"], row["files"]) for row in told["copies"]] == [
        ("2026-03-14", "(calibration)", 1),
        ("2026-03-14", "(logs)", 1),
        ("2026-03-14", "M 51", 2),
    ]
    assert places(told, "M 51") == {"house": (2, 0), "attic": (2, 0), "Larch stick": (2, 0)}
    assert told["in_one_place_only"] == 0
    (house,) = [p for p in told["copies"][2]["places"] if p["name"] == "house"]
    assert house["proven_utc"] == "2026-03-15T12:00:00+00:00"
    shown = desk.command("copies")
    assert "house 2026-03-15" in shown.out
    assert "each in two places or more" in shown.out


def test_what_is_damaged_or_gone_counts_as_no_copy(desk: Desk, stick: Path):
    light = desk.archive / LIGHT
    facts, content = light.stat(), bytearray(light.read_bytes())
    content[-1] ^= 1
    light.write_bytes(content)
    os.utime(light, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    desk.command("check", "house")
    (desk.others["attic"] / LIGHT.replace("_1", "_2")).unlink()
    shutil.rmtree(stick / "2026-03-14")
    ran = desk.command("copies", "--json")
    assert ran.exit == ExitCode.SOMETHING_UNPROVEN
    assert places(ran.document, "M 51") == {"house": (1, 1), "attic": (1, 1)}
    assert ran.document["in_one_place_only"] == 2


def test_what_is_whole_nowhere_is_not_told_as_being_in_two_places(desk: Desk, stick: Path):
    shutil.rmtree(stick / "2026-03-14")
    for root in (desk.archive, desk.others["attic"]):
        (root / LIGHT).unlink()
    ran = desk.command("copies", "--json")
    assert ran.exit == ExitCode.SOMETHING_UNPROVEN
    told = (
        "4 files in house, attic, Larch stick: 1 file whole in none of them, 3 files in two places or more."
    )
    assert ran.document["message"].startswith(told)
    shown = desk.command("copies", environ={"COLUMNS": "72"}).out
    # Of drives that are mounted beside this test a path may be told, in one piece.
    assert max(len(line) for line in shown.splitlines() if "/" not in line) <= 72


def test_drives_of_one_name_are_two_places(desk: Desk, stick: Path, tmp_path: Path):
    other = tmp_path / "other stick"
    shutil.copytree(stick, other)  # with its mark
    desk.more = ""
    desk.configure()
    for root in (desk.archive, desk.others["attic"]):
        for path in root.rglob("*.fits"):
            path.unlink()

    class WithBoth(type(this_computer())):
        def volumes(self) -> list[Volume]:
            return [Volume(each, "exfat", "/dev/none") for each in (stick, other)]

    outcome = copies(desk.config(), Surroundings(WithBoth(), Records(desk.root / "records"), Stop()))
    (lights,) = [row.as_json() for row in outcome.rows if row.target == "M 51"]
    assert [(place["folder"], place["files"]) for place in lights["places"] if place["files"]] == [
        (str(stick), 2),
        (str(other), 2),
    ]
    assert outcome.in_one_place == 0
    assert f"Larch stick at {stick}, Larch stick at {other}" in outcome.message


def test_a_connected_drive_that_is_not_asked_is_named(desk: Desk, tmp_path: Path):
    other = prepared(tmp_path / "other stick", "Rowan stick")

    class WithAnotherStick(type(this_computer())):
        def volumes(self) -> list[Volume]:
            return [Volume(other, "exfat", "/dev/none")]

    around = Surroundings(WithAnotherStick(), Records(tmp_path / "records"), Stop())
    outcome = copies(desk.config(), around)
    assert [place.name for place in outcome.places] == ["house", "attic", "Larch stick"]
    assert "not counted, since no [[drive]] names it: 'Rowan stick'." in outcome.message
    assert outcome.as_json()["drives_passed_over"] == ["Rowan stick"]


def test_what_is_on_a_drive_alone_is_in_one_place_only(desk: Desk, computer: Computer, stick: Path):
    computer.frame("late.fits", data=noise(900, 5))
    computer.send(stick)
    told = desk.command("copies", "--json").document
    assert places(told, "(not filed yet)") == {"Larch stick": (1, 0)}
    assert told["in_one_place_only"] == 1


def test_an_archive_that_is_away_is_told_and_not_counted(desk: Desk):
    shutil.rmtree(desk.others["attic"])
    ran = desk.command("copies")
    assert ran.exit == 0
    assert "attic is not here, and not counted" in ran.out
    desk.archive.rename(desk.archive.with_name("gone"))
    assert desk.command("copies").exit == ExitCode.NOT_THERE


@pytest.mark.parametrize("command", ["nights", "targets"])
def test_what_one_archive_alone_has_is_a_finding_beside_its_nights_and_targets(
    desk: Desk, computer: Computer, stick: Path, command: str
):
    assert desk.command(command, "--json").document["findings"] == []
    computer.frame("late.fits", data=noise(900, 5))
    computer.send(stick)
    assert desk.command("file", stick, "--archive", "house").exit == 0
    ran = desk.command(command, "--json")
    assert ran.exit == 0
    (finding,) = ran.document["findings"]
    assert finding["finding"] == "in one place only"
    assert finding["path"] == {"nights": "2026-03-14", "targets": "M 51"}[command]
    assert finding["detail"].startswith("1 file in no other archive than house")
    shutil.rmtree(desk.others["attic"])
    assert desk.command(command, "--json").document["findings"] == []
