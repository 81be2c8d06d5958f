"""Logs of the archive read into its index: once, by the present descriptions, as the bags have them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from manifests.findings import FindingKind
from manifests.index.logs import LogKeeper, descriptions_read, log_files
from manifests.index.opening import open_index
from tests.support.desks import Desk
from tests.support.nights import Computer, prepared
from tests.support.systems import need_links
from transfer.archive.logs import read_logs
from transfer.config.described import LogDescriptions

MAST = r"""
[[source]]
name = "logs"
folder = "not on this computer"
kind = "logs"
[[source.logs]]
files = "**/mast*.csv"
form = "table"
time = "Timestamp"
zone = "UTC"
readings = { "air temperature" = { at = "Temp", unit = "°C" } }
events = { "rain" = '\brain\b' }
"""
ROWS = b"Timestamp,Temp,note\n2026-03-14T20:00,3.5,\n2026-03-14T20:05,3.25,rain\n"


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    computer = Computer(tmp_path / "telescope")
    computer.frame("one.fits")
    computer.log("weather/mast.csv", ROWS)
    computer.log("mount.log", b"parked\n")
    return computer


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    return prepared(tmp_path / "stick")


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "desk", MAST)


def send_and_file(computer: Computer, stick: Path, desk: Desk) -> list[str]:
    computer.send(stick)
    outcome = desk.file(stick)
    assert outcome.refused == 0
    return [one.detail for one in outcome.all_findings() if one.kind is FindingKind.LOG_NOT_READ]


def kept(desk: Desk, table: str, columns: str) -> list[tuple]:
    with open_index(desk.archive / "index.sqlite") as index:
        return [tuple(row) for row in index.rows(f"SELECT {columns} FROM {table}")]


def temperatures(desk: Desk) -> list[float]:
    return [value for (value,) in kept(desk, "readings", "first")]


def test_filing_a_night_reads_its_logs(computer: Computer, stick: Path, desk: Desk):
    assert send_and_file(computer, stick, desk) == []
    assert temperatures(desk) == [3.5, 3.25]
    assert kept(desk, "quantities", "source, quantity, unit") == [("logs", "air temperature", "deg_C")]
    assert kept(desk, "events", "event, text, line") == [("rain", "2026-03-14T20:05,3.25,rain", 3)]
    assert kept(desk, "logs", "source, lines, taken, unmatched, problems") == [("logs", 3, 2, 0, "[]")]


def test_a_log_that_grew_is_read_anew_and_once(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    computer.append(computer.logs / "weather/mast.csv", b"2026-03-15T02:00,-1.5,\n")
    send_and_file(computer, stick, desk)
    assert temperatures(desk) == [3.5, 3.25, -1.5]


def test_a_new_index_has_what_the_logs_in_the_bags_say(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    (desk.archive / "index.sqlite").unlink()
    ran = desk.command("index", "--json")
    logs = ran.document["logs"]
    assert (logs["files"], logs["read_before"], logs["readings"], logs["events"]) == (1, 0, 2, 1)
    assert temperatures(desk) == [3.5, 3.25]


def test_a_changed_description_is_read_anew_from_the_archive(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    shutil.rmtree(computer.logs)
    assert desk.command("index", "--logs").out == "0 logs read: 0 readings, 0 events; 1 read before.\n"
    desk.more = MAST.replace('"°C"', '"°F"').replace("air temperature", "tube temperature")
    desk.configure()
    assert desk.command("index", "--logs").out == "1 log read: 2 readings, 1 event.\n"
    assert temperatures(desk) == [3.5, 3.25]
    with open_index(desk.archive / "index.sqlite") as index:
        quantity = "SELECT quantity, unit FROM quantities WHERE id = (SELECT min(quantity_id) FROM readings)"
        assert tuple(index.row(quantity)) == ("tube temperature", "deg_F")


def test_a_description_that_is_taken_out_takes_its_readings_with_it(
    computer: Computer, stick: Path, desk: Desk
):
    send_and_file(computer, stick, desk)
    desk.more = MAST.replace("**/mast*.csv", "**/no such*.csv")
    desk.configure()
    desk.command("index", "--logs")
    assert (temperatures(desk), kept(desk, "events", "event"), kept(desk, "logs", "id")) == ([], [], [])


def test_a_run_that_is_to_end_leaves_a_long_log_for_the_next(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    desk.more = MAST.replace("air temperature", "tube temperature")
    desk.configure()
    may = iter([True])  # to begin with the log, and not to go on with it
    descriptions = LogDescriptions(desk.config())
    told = read_logs(desk.archive, descriptions, -1.9, go_on=lambda: next(may, False))
    assert (told.files, told.readings, told.findings) == (0, 0, ())
    assert desk.command("index", "--logs").out == "1 log read: 2 readings, 1 event.\n"


def test_lines_that_say_nothing_and_a_clock_that_goes_back_are_counted(
    computer: Computer, stick: Path, desk: Desk
):
    rows = b"Timestamp,Temp\n2026-03-14T20:00,3.5\nnoise\n2026-03-14T19:00,4.5\n"
    computer.log("weather/mast 2.csv", rows)
    send_and_file(computer, stick, desk)
    desk.more = MAST.replace("air temperature", "tube temperature")
    desk.configure()
    told = "2 logs read: 4 readings, 1 event; 1 line not matched; a clock went back 1 time.\n"
    assert desk.command("index", "--logs").out == told


def test_a_log_that_its_description_does_not_fit_is_named_and_filed(
    computer: Computer, stick: Path, desk: Desk
):
    computer.log("weather/mast 2.csv", b"When,Temp\n2026-03-14T20:00,3.5\n")
    (detail,) = send_and_file(computer, stick, desk)
    assert detail.startswith('no line has the columns "Timestamp", "Temp"')
    assert temperatures(desk) == [3.5, 3.25]
    assert "nights/2026-03-14/data/logs/weather/mast 2.csv" in desk.files()
    ran = desk.command("index", "--logs")
    assert (ran.exit, ran.out) == (0, "0 logs read: 0 readings, 0 events; 2 read before.\n")


def test_a_description_that_cannot_be_meant_keeps_nothing_from_being_filed(
    computer: Computer, stick: Path, desk: Desk
):
    desk.more = MAST.replace("°C", "frost")
    desk.configure()
    (detail,) = send_and_file(computer, stick, desk)
    assert "source[1].logs[1].unit = 'frost'" in detail
    assert "nights/2026-03-14/data/logs/weather/mast.csv" in desk.files()
    assert desk.command("index", "--logs").exit == 2


def test_without_descriptions_nothing_is_read_and_index_logs_says_so(
    computer: Computer, stick: Path, desk: Desk
):
    desk.more = ""
    desk.configure()
    assert send_and_file(computer, stick, desk) == []
    assert kept(desk, "logs", "id") == []
    assert desk.command("index", "--json").document["logs"] is None
    ran = desk.command("index", "--logs")
    assert (ran.exit, "describes no logs" in ran.err) == (2, True)


def test_a_log_that_is_gone_from_its_bag_is_named(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    (desk.archive / "nights/2026-03-14/data/logs/weather/mast.csv").unlink()
    desk.more = MAST.replace("air temperature", "tube temperature")
    desk.configure()
    ran = desk.command("index", "--logs", "--json")
    assert ran.exit == 1
    (found,) = ran.document["findings"]
    assert (found["finding"], found["path"]) == (
        "log not understood",
        "nights/2026-03-14/data/logs/weather/mast.csv",
    )


@need_links
def test_a_link_in_a_bag_leads_to_no_file_outside_it(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    log = desk.archive / "nights/2026-03-14/data/logs/weather/mast.csv"
    secret = desk.root / "secret.csv"
    secret.write_bytes(ROWS.replace(b"3.5", b"9.5"))
    log.unlink()
    log.symlink_to(secret)
    (desk.archive / "index.sqlite").unlink()
    ran = desk.command("index", "--json")
    assert temperatures(desk) == []
    assert "leads out of the bag" in json.dumps(ran.document["findings"])


def test_what_a_run_left_half_read_is_read_anew(computer: Computer, stick: Path, desk: Desk):
    send_and_file(computer, stick, desk)
    from transfer.config.described import LogDescriptions

    (described,) = LogDescriptions(desk.config())
    with open_index(desk.archive / "index.sqlite", write=True) as index:
        mast = next(one for one in log_files(index, desk.archive) if one.original == "weather/mast.csv")
        with index.writing() as connection:
            connection.execute("DELETE FROM logs")
            connection.execute("DELETE FROM readings")
        LogKeeper(index, mast.file_id, "logs", described.reader).reading(0, 0, 1.0)  # and the power goes
        assert descriptions_read(index) == {mast.file_id: {""}}
    assert desk.command("index", "--logs").out.startswith("1 log read: 2 readings")
    assert temperatures(desk) == [3.5, 3.25]
