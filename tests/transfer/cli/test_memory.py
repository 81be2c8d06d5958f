"""No list on a drive, however large, exhausts a run's memory or its time."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.large_lists import LISTS, short_lines, sparse_terabyte
from tests.support.nights import Computer, Ran, entries, prepared

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="a limit that counts what a process has in memory is Linux's"
)

BAG = "2026-03-14"
READ_BY_THE_INDEX = ("tagmanifest-sha256.txt", "nightferry/entries.jsonl", "nightferry/said-verdict.jsonl")


def in_300_mb() -> None:
    """Bind a run to 300 MB of memory of its own (RLIMIT_DATA of getrlimit(2))."""
    import resource

    resource.setrlimit(resource.RLIMIT_DATA, (300_000_000, 300_000_000))


@pytest.fixture
def stick(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    computer = Computer(tmp_path / "computer")
    computer.small_night()
    stick = prepared(tmp_path / "stick")
    assert computer.send(stick).exit_code == 0
    assert entries(stick / BAG)
    return stick


def ended_in_order(ran: Ran) -> None:
    assert "MemoryError" not in ran.out + ran.err
    assert "does not know" not in ran.out + ran.err
    assert ran.exit in (0, 1), ran.err


@pytest.mark.parametrize("name", LISTS)
def test_a_list_of_a_terabyte_is_malformed(stick: Path, tmp_path: Path, name: str) -> None:
    sparse_terabyte(stick / BAG / name)
    desk, computer = Desk(tmp_path / "desk"), Computer(tmp_path / "again")
    computer.small_night()
    checked = desk.command("check", stick, "--json", preexec_fn=in_300_mb)
    ended_in_order(checked)
    assert checked.exit == 1
    told = [(one["path"], one["finding"]) for one in checked.document["findings"]]
    assert any(path.endswith(name) and finding == "malformed" for path, finding in told), told
    ended_in_order(desk.command("check", stick, "--quick", "--json", preexec_fn=in_300_mb))
    ended_in_order(desk.command("file", stick, "--json", preexec_fn=in_300_mb))
    ended_in_order(computer.command("send", "--drive", stick, "--json", preexec_fn=in_300_mb))


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "manifest-other.txt", "nightferry/entries.jsonl"])
def test_millions_of_short_lines_are_malformed(stick: Path, tmp_path: Path, name: str) -> None:
    short_lines(stick / BAG / name)
    desk = Desk(tmp_path / "desk")
    checked = desk.command("check", stick, "--json", preexec_fn=in_300_mb)
    ended_in_order(checked)
    assert checked.exit == 1
    ended_in_order(desk.command("file", stick, "--json", preexec_fn=in_300_mb))


@pytest.mark.parametrize("name", READ_BY_THE_INDEX)
@pytest.mark.parametrize("make", [sparse_terabyte, short_lines])
def test_a_bag_of_the_archive_with_such_a_list_stops_no_question(
    stick: Path, tmp_path: Path, name: str, make: Callable[[Path], None]
) -> None:
    desk = Desk(tmp_path / "desk")
    assert desk.file(stick).exit_code == 0
    make(desk.archive / "M 51" / name)
    os.utime(desk.archive / "M 51/tagmanifest-sha256.txt")
    ended_in_order(desk.command("frames", "--json", preexec_fn=in_300_mb))
    ended_in_order(desk.command("index", "--json", preexec_fn=in_300_mb))
