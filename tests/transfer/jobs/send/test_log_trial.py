"""Descriptions of logs tried on tonight's files, before they are relied on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.nights import Computer

MAST = r"""
[[source.logs]]
files = "**/mast.csv"
form = "table"
time = "Timestamp"
zone = "UTC"
readings = { "air temperature" = { at = "Temp", unit = "°C" } }
events = { "rain" = '\brain\b' }
[[source.logs]]
files = "**/*.diary"
form = "lines"
line = '^(?P<clock>[\d:]+) .*$'
time = "clock"
zone = "UTC"
events = { "park" = 'park' }
"""


@pytest.fixture
def described(tmp_path: Path) -> Computer:
    computer = Computer(tmp_path / "telescope")
    text = computer.file.read_text(encoding="utf-8")
    computer.file.write_text(text.replace('kind = "logs"\n', f'kind = "logs"\n{MAST}', 1), encoding="utf-8")
    computer.frame("one.fits")
    return computer


def test_the_first_readings_of_each_description_are_shown(described: Computer):
    described.log("a/mast.csv", b"Timestamp,Temp\n2026-03-14T20:00,3.5\n2026-03-14T20:05,3.25 rain\n")
    described.log("mount.diary", b"diary\n20:00:00 follow\n04:30:00 park\n")
    ran = described.command("plan", "--logs")
    assert ran.exit == 0, ran.err
    assert ran.out.splitlines() == [
        "2 of 2 descriptions fit the logs of 2026-03-14.",
        "logs: **/mast.csv (table): 1 file",
        "  logs/a/mast.csv: 2 readings, rain × 1 in 3 lines",
        "    air temperature  2026-03-14 20:00:00Z  3.5 °C",
        "logs: **/*.diary (lines): 1 file",
        "  logs/mount.diary: park × 1 in 3 lines",
        "    1 line does not fit, the first is line 1 (the expression does not match it): 'diary'",
    ]


def test_a_description_that_gives_nothing_exits_with_one_and_says_why(described: Computer):
    described.log("a/mast.csv", b"Time,Temp\n2026-03-14T20:00,3.5\n")
    ran = described.command("plan", "--logs", "--json")
    assert (ran.exit, ran.document["exit"]) == (1, 1)
    table, lines = ran.document["logs"]
    (file,) = table["files"]
    assert file["problems"] == ['no line has the columns "Timestamp", "Temp"; it begins: Time,Temp']
    assert (lines["matched"], lines["files"], lines["fits"]) == (0, [], False)
    assert ran.document["message"] == "0 of 2 descriptions fit the logs of 2026-03-14."


def test_only_the_nights_that_are_asked_for_are_read(described: Computer):
    described.log("a/mast.csv", b"Timestamp,Temp\n2026-03-14T20:00,3.5\n")
    ran = described.command("plan", "--logs", "--night", "2026-03-13", "--json")
    assert ran.document["logs"][0]["matched"] == 0


def test_nothing_is_written_anywhere(described: Computer):
    described.log("a/mast.csv", b"Timestamp,Temp\n2026-03-14T20:00,3.5\n")
    before = described.fingerprint()
    described.command("plan", "--logs")
    assert described.fingerprint() == before


def test_every_key_that_cannot_be_meant_is_named(described: Computer):
    text = described.file.read_text(encoding="utf-8")
    text = text.replace('unit = "°C"', 'unit = "frost"').replace("'park'", "'(park'")
    described.file.write_text(text, encoding="utf-8")
    ran = described.command("plan", "--logs")
    assert ran.exit == 2
    assert "source[2].logs[1].unit = 'frost': expected a unit that astropy knows" in ran.err
    assert "source[2].logs[2].events.\"park\" = '(park': expected regular expressions" in ran.err
    assert described.command("plan").exit != 2, "what is wrong with it spoils no other command"


def test_without_descriptions_it_says_how_to_get_one(tmp_path: Path):
    computer = Computer(tmp_path / "telescope")
    ran = computer.command("plan", "--logs")
    assert ran.exit == 2
    assert "describes no logs" in ran.err
