"""`clear --delete` at a terminal: it says what goes for good, and asks; nothing goes before the answer."""

from __future__ import annotations

import os
import sys

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, command_line, noise
from tests.support.terminals import until_it_ends

pty = pytest.importorskip("pty", reason="a terminal of one's own is POSIX only")


@pytest.fixture
def carried(computer: Computer, stick, desk: Desk) -> Computer:
    computer.drives = [f"name = 'Field stick'\nfolder = '{stick}'"]
    computer.configure()
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    computer.frame("late.fits", data=noise(900, 8))
    return computer


def talk(computer: Computer, *answers: str) -> tuple[int, str]:
    """Run the command at a terminal and answer what it asks; return its exit code and what it showed."""
    process, terminal = pty.fork()
    if process == 0:
        os.execv(sys.executable, command_line("clear", "--delete", "--config", computer.file))
    left = list(answers)

    def answer(shown: bytes) -> None:
        if shown.endswith(b"]: "):
            os.write(terminal, left.pop(0).encode() + b"\n")

    return until_it_ends(process, terminal, answer)


def frames(computer: Computer) -> int:
    return len(list((computer.root / "computer").rglob("*.fits")))


def test_nothing_goes_where_a_person_says_no(carried):
    code, shown = talk(carried, "n")
    assert (code, frames(carried)) == (0, 4)
    assert "THIS CANNOT BE UNDONE" in shown
    assert "Nothing was deleted" in shown


def test_what_may_go_goes_where_a_person_says_yes(carried):
    code, shown = talk(carried, "y")
    assert (code, frames(carried)) == (0, 1)
    assert "Deleted 5 files" in shown


def test_reasons_wrap_between_words(carried):
    ran = carried.command("clear", environ={**os.environ, "COLUMNS": "80"})
    assert max(map(len, ran.out.splitlines())) <= 80
    assert "as far as is known" in " ".join(ran.out.split())


def test_many_reasons_stand_below_each_other(carried):
    carried.append(carried.logs / "mount.log", b"more\n")
    lines = carried.command("clear").out.splitlines()
    (night,) = [number for number, line in enumerate(lines) if line.startswith("2026-03-14")]
    told = sorted(line.split(": ", 1)[1] for line in lines[night : night + 2])
    assert told[0] == "it has changed since it was carried"
    assert told[1].startswith("safe only here")
