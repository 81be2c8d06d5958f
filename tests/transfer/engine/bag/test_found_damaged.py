"""A copy on a drive that is known to be damaged is carried again, whoever found it, and is safe only then."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from manifests.bags.paths import said_in
from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.nights import Computer, assert_valid, listed_truly, prepared
from transfer.errors import ExitCode

BAG = "2026-03-14"
LIGHT = f"{BAG}/data/frames/M 51/Ha/light 1.fits"


@pytest.fixture
def stick(tmp_path: Path, computer: Computer) -> Path:
    """Return a stick that has the night."""
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    return stick


def flip(copy: Path) -> None:
    """Change one byte of a copy; its size and time stay."""
    facts, content = copy.stat(), bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 1
    copy.write_bytes(content)
    os.utime(copy, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def assert_mended_by_a_send(computer: Computer, stick: Path) -> None:
    source = computer.frames / "M 51/Ha/light 1.fits"
    outcome = computer.send(stick)
    assert (outcome.exit_code, outcome.nights[0].carried) == (ExitCode.PROVEN, 1)
    assert FindingKind.CHANGED in {finding.kind for finding in outcome.all_findings()}
    assert (stick / LIGHT).read_bytes() == source.read_bytes()
    assert len(listed_truly(stick / BAG)) == 5
    assert_valid(stick / BAG)
    assert computer.send(stick).nothing_new


def test_what_a_check_on_this_computer_finds_is_carried_again(computer: Computer, stick: Path) -> None:
    flip(stick / LIGHT)
    assert computer.command("check", stick).exit == ExitCode.SOMETHING_UNPROVEN
    assert_mended_by_a_send(computer, stick)


def test_what_filing_finds_elsewhere_comes_home_with_the_drive(
    computer: Computer, stick: Path, tmp_path: Path
) -> None:
    desk = Desk(tmp_path / "desk")
    flip(stick / LIGHT)
    outcome = desk.file(stick)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN
    assert outcome.next_step.endswith("Send it again, then file again.")
    assert_mended_by_a_send(computer, stick)
    filed = desk.file(stick)
    assert (filed.exit_code, filed.filed) == (ExitCode.PROVEN, 1)
    assert not list((desk.archive / "nights").rglob(said_in("damaged").rpartition("/")[2]))
    assert computer.send(stick).nothing_new


def test_a_second_filing_says_it_once(computer: Computer, stick: Path, tmp_path: Path) -> None:
    desk = Desk(tmp_path / "desk")
    flip(stick / LIGHT)
    for _ in range(2):
        assert desk.file(stick).exit_code is ExitCode.SOMETHING_UNPROVEN
    assert len((stick / BAG / said_in("damaged")).read_bytes().splitlines()) == 1


def test_a_run_cut_short_before_it_leaves_the_copy_damaged(computer: Computer, stick: Path) -> None:
    """Only what was carried and read back is whole again."""
    flip(stick / LIGHT)
    flip(stick / LIGHT.replace("light 1", "light 2"))
    computer.command("check", stick)
    source = computer.frames / "M 51/Ha/light 1.fits"
    away = shutil.move(source, computer.root / "away.fits")
    assert computer.send(stick).nights[0].carried == 1
    shutil.move(away, source)
    assert_mended_by_a_send(computer, stick)


def test_a_check_that_finds_all_whole_takes_it_back(computer: Computer, stick: Path) -> None:
    whole, facts = (stick / LIGHT).read_bytes(), (stick / LIGHT).stat()
    flip(stick / LIGHT)
    computer.command("check", stick)
    (stick / LIGHT).write_bytes(whole)
    os.utime(stick / LIGHT, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert computer.command("check", stick).exit == ExitCode.PROVEN
    assert computer.send(stick).nothing_new


@pytest.mark.parametrize(
    "content", [b"", b"\xff\n", b'{"said_utc": 3}\n', b'{"files": {"../../x": 1}}\n', b"x" * 300_000]
)
def test_what_a_stranger_wrote_there_stops_nothing(computer: Computer, stick: Path, content: bytes) -> None:
    (stick / BAG / said_in("damaged")).write_bytes(content)
    assert computer.send(stick).exit_code is ExitCode.PROVEN
