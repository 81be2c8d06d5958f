"""`nightferry file` as a person and a script see it."""

from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import NIGHT, Computer, prepared
from transfer.errors import ExitCode


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A desk, and on a stick beside it a night that was sent."""
    computer = Computer(tmp_path / "night")
    computer.small_night()
    stick = prepared(tmp_path / "stick", "Larch stick")
    assert computer.send(stick).exit_code is ExitCode.PROVEN
    return Desk(tmp_path / "desk")


@pytest.fixture
def stick(desk: Desk) -> Path:
    return desk.root.parent / "stick"


def test_what_was_filed_is_told_in_plain_lines_that_fit_a_screen(desk, stick):
    ran = desk.command("file", stick)
    assert ran.exit == 0, ran.err
    assert ran.out.startswith("5 files")
    assert "acknowledged on the drive" in ran.out
    assert max(len(line) for line in ran.out.splitlines() if "/" not in line) <= 80  # paths stay whole
    assert all(line.isprintable() for line in ran.out.splitlines())


def test_json_is_one_document_with_the_counts_that_scripts_rely_on(desk, stick):
    document = desk.command("file", stick, "--json").document
    assert document["command"] == "file"
    assert (document["exit"], document["filed"], document["already_there"], document["refused"]) == (
        0,
        5,
        0,
        0,
    )
    again = desk.command("file", stick, "--json").document
    assert (again["filed"], again["already_there"]) == (0, 5)


def test_a_dry_run_shows_where_everything_would_go_and_writes_nothing(desk, stick):
    ran = desk.command("file", stick, "--dry-run")
    assert ran.exit == 0
    assert NIGHT.isoformat() in ran.out
    assert not desk.bags()
    assert not list((stick / NIGHT.isoformat()).glob("nightferry/acknowledgement-*"))


def test_an_archive_that_is_not_there_is_exit_3_with_the_path_and_what_to_do(desk, stick):
    desk.archive.rename(desk.root / "elsewhere")
    ran = desk.command("file", stick)
    assert ran.exit == 3
    assert str(desk.archive) in ran.out + ran.err
    assert "Traceback" not in ran.err
    document = desk.command("file", stick, "--json").document
    assert document["exit"] == 3


def test_a_drive_that_is_not_there_is_exit_3(desk, tmp_path):
    ran = desk.command("file", tmp_path / "no stick")
    assert ran.exit == 3
    assert "no stick" in ran.out + ran.err


def test_a_wait_without_a_unit_is_exit_2(desk, stick):
    ran = desk.command("file", stick, "--wait", "10")
    assert ran.exit == 2
    assert "10m" in ran.err


def test_a_folder_of_the_archive_itself_is_refused_and_the_file_that_names_it_is_named(desk):
    (desk.archive / "M 51").mkdir(parents=True)
    ran = desk.command("file", desk.archive / "M 51")
    assert ran.exit == 2
    assert str(desk.settings) in ran.err.replace("\n", "")
    assert str(desk.archive) in ran.err.replace("\n", "")
