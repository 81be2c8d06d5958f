"""A drive is known by its mark, wherever it is, and held by one run."""

import os
from datetime import UTC, datetime

import pytest

from tests.support.systems import need_links
from transfer.config import DriveName
from transfer.engine.drive import (
    MARK_NAME,
    Mark,
    OpenDrive,
    check_name,
    drive_at,
    find_drives,
    mark_text,
    new_mark,
    once,
    only_run_on,
    parse_mark,
    read_mark,
)
from transfer.engine.medium import this_computer
from transfer.engine.medium.base import Volume
from transfer.errors import Busy, ConfigurationError, NotThere

MOMENT = datetime(2026, 3, 1, tzinfo=UTC)
MARK = b'id = "0e1c9d2a-6d1f-4c1e-9d53-0c9d7f5a1b11"\nprepared = 2026-03-01T00:00:00Z\n'


def marked(folder, name="Field stick"):
    folder.mkdir()
    mark = new_mark(name, MOMENT, 40e6, None)
    (folder / MARK_NAME).write_text(mark_text(mark), encoding="utf-8")
    return mark


@pytest.mark.parametrize(
    "name", ["Field stick", 'a "quoted" name', "back\\slash", "Feldstick f\u00fcr M 31 \u2603"]
)
def test_a_mark_reads_back_as_it_was_written(name):
    mark = new_mark(name, MOMENT, 40e6, 120e6)
    assert parse_mark(mark_text(mark).encode()) == mark


def test_every_drive_has_an_id_of_its_own():
    assert new_mark("a", MOMENT, None, None).id != new_mark("a", MOMENT, None, None).id


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe",
        b"id = 1",
        b'id = "no uuid"\nname = "x"\nprepared = 2026-03-01T00:00:00Z',
        b'id = "0e1c9d2a-6d1f-4c1e-9d53-0c9d7f5a1b11"\nname = "x"',
        b'id = "0e1c9d2a-6d1f-4c1e-9d53-0c9d7f5a1b11"\nname = "x"\nprepared = "some day"',
        MARK + b'name = ""',
        MARK + b'name = "' + b"x" * 81 + b'"',
        MARK + b'name = "x"\nmore = ' + b"[" * 1000 + b"]" * 1000,
        MARK + b'name = "x"\nmore = ' + b"{a = " * 1000 + b"1" + b"}" * 1000,
        MARK + b'name = "x"\n' + b"# and more\n" * 10_000,
        MARK.replace(b"2026-03-01T00:00:00Z", b"0001-01-01T00:00:00+23:00") + b'name = "x"',
    ],
)
def test_what_is_no_mark_is_none(tmp_path, content):
    (tmp_path / MARK_NAME).write_bytes(content)
    assert read_mark(tmp_path) is None
    with pytest.raises(NotThere, match="mark"):
        drive_at(tmp_path)


def test_rates_that_make_no_sense_are_not_taken():
    text = mark_text(Mark("0e1c9d2a-6d1f-4c1e-9d53-0c9d7f5a1b11", "x", MOMENT))
    for write, read in (("-1", "'fast'"), ("9" * 400, "nan"), ("inf", "true")):
        strange = f"{text}write_bytes_per_s = {write}\nread_bytes_per_s = {read}\n"
        mark = parse_mark(strange.encode())
        assert (mark.write_bytes_per_s, mark.read_bytes_per_s) == (None, None)


def test_a_drive_whose_folder_is_configured_is_found_there_by_its_name(tmp_path):
    marked(tmp_path / "stick", "Mine, in a test of drives")
    wanted = [
        DriveName("Mine, in a test of drives", tmp_path / "stick"),
        DriveName("Another, in a test of drives", tmp_path / "stick"),
    ]
    found, absent = find_drives(wanted, this_computer())
    assert [drive.root for drive in found] == [tmp_path / "stick"]
    assert absent == [wanted[1]]


@need_links
def test_a_drive_that_is_found_twice_is_one(tmp_path):
    marked(tmp_path / "stick")
    (tmp_path / "link").symlink_to(tmp_path / "stick", target_is_directory=True)
    found = [drive_at(tmp_path / "stick"), drive_at(tmp_path / "link")]
    assert len(once(found)) == 1


def test_a_drive_that_becomes_another_before_it_is_held_is_refused(tmp_path):
    marked(tmp_path / "stick")
    found = drive_at(tmp_path / "stick")
    (tmp_path / "stick").rename(tmp_path / "pulled")
    marked(tmp_path / "stick")
    with pytest.raises(NotThere, match="left"):
        OpenDrive(found, this_computer())


def test_one_run_at_a_time(tmp_path):
    marked(tmp_path / "stick")
    first = only_run_on(tmp_path / "stick", this_computer())
    with first, pytest.raises(Busy), only_run_on(tmp_path / "stick", this_computer()):
        pass
    with only_run_on(tmp_path / "stick", this_computer()):
        pass


def test_a_drive_without_its_mark_cannot_be_held(tmp_path):
    with pytest.raises(NotThere), only_run_on(tmp_path, this_computer()):
        pass


@pytest.mark.parametrize(("given", "kept"), [("Field stick", "Field stick"), ("  two   words ", "two words")])
def test_a_name_is_kept_without_needless_spaces(given, kept):
    assert check_name(given) == kept


@pytest.mark.parametrize("name", ["", "   ", "bell\a", "x" * 81, "\udcff"])
def test_a_name_that_nobody_can_read_is_refused(name):
    with pytest.raises(ConfigurationError):
        check_name(name)


@pytest.mark.skipif(os.name == "nt", reason="there are no pipes with a name in a folder")
def test_a_pipe_in_the_place_of_a_mark_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / MARK_NAME)
    assert read_mark(tmp_path) is None
    with pytest.raises(NotThere, match="not the mark of a drive any more"):
        drive_at(tmp_path)


class Mounted:
    """A computer with these volumes."""

    def __init__(self, *roots):
        self._roots = roots

    def volumes(self):
        return [Volume(root, "ext4", "") for root in self._roots]


def test_a_strangers_mark_is_skipped_and_told_once_whatever_is_asked_for(tmp_path):
    marked(tmp_path / "mine", "Mine")
    for name, content in (("nested", b"a = " + b"[" * 1000), ("empty", b"")):
        (tmp_path / name).mkdir()
        (tmp_path / name / MARK_NAME).write_bytes(content)
    (tmp_path / "without").mkdir()
    medium = Mounted(*(tmp_path / name for name in ("nested", "mine", "empty", "without")))
    for wanted in ([], [DriveName("Mine"), DriveName("Another")]):
        heard = []
        found, _ = find_drives(wanted, medium, heard.append)
        assert [drive.root for drive in found] == [tmp_path / "mine"]
        told = [(event.path, event.why) for event in heard]
        assert told == [
            (str(tmp_path / name / MARK_NAME), "is not the mark of a drive") for name in ("nested", "empty")
        ]


def test_a_drive_that_leaves_while_others_are_looked_for_is_left_out(tmp_path):
    marked(tmp_path / "stick")
    marked(tmp_path / "other")
    found = [drive_at(tmp_path / "stick"), drive_at(tmp_path / "other")]
    (tmp_path / "stick").rename(tmp_path / "pulled")
    assert [drive.root for drive in once(found)] == [tmp_path / "other"]
