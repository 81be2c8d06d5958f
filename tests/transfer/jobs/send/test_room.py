"""Where tonight does not fit: the command that makes room is named, or `send` makes it where it may."""

from __future__ import annotations

import json

import pytest

from tests.support.nights import Computer, assert_valid, noise, prepared
from transfer.engine.ledger import NAME, open_ledger
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.events import Ahead
from transfer.jobs.send.survey import Scope

NIGHTS = ("2026-03-11", "2026-03-12", "2026-03-13")
TONIGHT = "2026-03-14"
CLEAR = "[clear]\nkeep_nights = 1\n"
MAKE_ROOM = f"{CLEAR}[send]\nmake_room = true\n"


def night(computer: Computer, evening: str, size_bytes: int) -> None:
    data = noise(size_bytes, int(evening[-2:]))
    computer.frame(f"{evening}/light.fits", begun=f"{evening}T22:00:00", data=data)


@pytest.fixture
def full(volumes, tmp_path, desk):
    """Return a computer and its nearly full drive of three nights; tonight needs the room of one of them."""
    with volumes("exfat", size_mb=24) as drive:
        computer = Computer(tmp_path / "imaging")
        computer.drives = [f"name = 'Field stick'\nfolder = '{prepared(drive.path)}'"]
        computer.more = CLEAR
        computer.configure()
        for evening in NIGHTS:
            night(computer, evening, 4_000_000)
        assert computer.send(drive.path, scope=Scope(everything=True)).exit_code is ExitCode.PROVEN
        assert desk.file(drive.path).exit_code is ExitCode.PROVEN
        night(computer, TONIGHT, 10_000_000)
        yield computer, drive.path


def nights_on(drive):
    return sorted(path.name for path in drive.iterdir() if path.name.startswith("2026"))


@pytest.mark.volume
def test_plan_and_send_name_the_command_that_makes_tonight_fit_and_touch_no_night(full):
    computer, drive = full
    command = f'nightferry clear --drive "{drive}" --delete'
    planned = computer.command("plan")
    assert planned.exit == ExitCode.DOES_NOT_FIT
    assert command in planned.out
    sent = computer.send()
    assert (sent.exit_code, nights_on(drive)) == (ExitCode.DOES_NOT_FIT, list(NIGHTS))
    assert command in sent.next_step
    assert computer.command("clear", "--drive", drive, "--delete").exit == 0
    again = computer.send()
    assert (again.exit_code, nights_on(drive)) == (ExitCode.PROVEN, [NIGHTS[-1], TONIGHT])


@pytest.mark.volume
def test_where_what_may_go_is_not_enough_no_command_is_named(full):
    computer, drive = full
    night(computer, TONIGHT, 19_000_000)
    assert "clear" not in computer.send().next_step
    computer.more = MAKE_ROOM
    computer.configure()
    assert computer.send().exit_code is ExitCode.DOES_NOT_FIT
    assert nights_on(drive) == list(NIGHTS)


@pytest.mark.volume
def test_send_makes_room_itself_where_it_is_told_to_and_lets_no_more_go_than_that_takes(full):
    computer, drive = full
    computer.more = MAKE_ROOM
    computer.configure()
    planned = computer.command("plan", "--json").document
    assert planned["problems"] == []
    assert planned["lets_go"] == [["Field stick", NIGHTS[0]]]
    ran = computer.command("send", "--json")
    (made,) = ran.document["made_room"]
    assert (ran.exit, made["night"], made["files"]) == (0, NIGHTS[0], 1)
    assert nights_on(drive) == [*NIGHTS[1:], TONIGHT]
    for evening in nights_on(drive):
        assert_valid(drive / evening)
    assert f"the night of {NIGHTS[0]}" in " ".join((drive / "READ ME FIRST.txt").read_text().split())
    (line,) = map(json.loads, (computer.records / NAME).read_bytes().splitlines())
    assert line["path"].startswith(NIGHTS[0])
    computer.send()
    assert nights_on(drive) == [*NIGHTS[1:], TONIGHT]


@pytest.mark.volume
def test_send_lets_nothing_go_that_clear_would_not_or_while_the_ledger_is_another_run_s(full):
    computer, drive = full
    computer.more = MAKE_ROOM
    computer.configure()
    with open_ledger(computer.records, this_computer()):
        sent = computer.send()
    assert (sent.exit_code, nights_on(drive)) == (ExitCode.DOES_NOT_FIT, list(NIGHTS))
    assert "No more room was made" in sent.room.lines[0]
    for evening in NIGHTS:
        (computer.frames / evening / "light.fits").unlink()
    assert computer.send().exit_code is ExitCode.DOES_NOT_FIT
    assert nights_on(drive) == list(NIGHTS)


@pytest.mark.volume
def test_what_was_let_go_is_told_although_the_run_fails_before_it_carries(full):
    computer, drive = full
    computer.more = MAKE_ROOM
    computer.configure()

    def fail(event):
        begins = isinstance(event, Ahead)
        if begins:
            raise MemoryError

    sent = computer.send(listen=fail)
    assert (sent.nights, nights_on(drive)) == ((), list(NIGHTS[1:]))
    assert [made["night"] for made in sent.as_json()["made_room"]] == [NIGHTS[0]]
    (kept,) = [
        path.read_text()
        for path in (computer.records / "receipts").iterdir()
        if "NOTHING" in path.read_text()
    ]
    assert f"the night of {NIGHTS[0]}" in " ".join(kept.split())
