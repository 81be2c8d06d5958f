"""The story of a night: what happened in order, and what the readings were when it failed."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from manifests.index.opening import open_index
from tests.support.in_memory import folder_in_memory
from tests.support.observatory import LOGS, Observatory
from transfer.archive.nights_told import Place, night_told
from transfer.errors import ConfigurationError
from transfer.jobs.night_plot import draw_night

LOST = (
    "2026-03-16T20:30:00 begun\n2026-03-17T03:00:00 lost connection to the focuser\n"
    "2026-03-17T03:05:00 lost the connection\n2026-03-17T04:30:00 parked\n"
)


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with folder_in_memory() as made:
        yield made


@pytest.fixture(scope="module")
def three(folder: Path) -> Observatory:
    """Three nights that went well, at 3 to 5 °C in the end, and one of frost that lost the connection."""
    there = Observatory(folder / "three")
    there.night("2026-03-13", 5.0)
    there.night("2026-03-14", 3.0)
    there.night("2026-03-15", 4.0)
    there.night("2026-03-16", -4.0, LOST)
    return there


def test_a_night_says_its_readings_and_events(three: Observatory):
    told = three.ask("night", "2026-03-16", "--json").document
    assert (told["command"], told["exit"], told["night"], told["verdict"]) == ("night", 0, "2026-03-16", None)
    air = next(one for one in told["readings"] if one["quantity"] == "air temperature")
    assert (air["unit"], air["source"]) == ("deg_C", "logs")
    # From sunset to sunrise: 18:13 to 06:17 at 51.2° north, 1.9° west.
    assert (air["first"], air["last"], air["lowest"], air["highest"]) == (7.67, -4.0, -4.0, 7.67)
    assert air["count"] == 71
    assert air["fall_per_hour"] == pytest.approx(1.0, abs=0.01)
    pause = next(one for one in told["readings"] if one["quantity"] == "time between exposures")
    assert (pause["unit"], pause["count"], pause["lowest"], pause["highest"]) == ("min", 2, 1.0, 1.0)
    quantities = {one["quantity"] for one in told["readings"]}
    assert {"humidity", "dew point", "margin to the dew point", "moon lit"} <= quantities
    assert [(one["utc"], one["event"]) for one in told["events"]] == [
        ("2026-03-17T03:00:00Z", "connection lost"),
        ("2026-03-17T03:05:00Z", "connection lost"),
    ]
    assert told["events"][0]["path"] == "nights/2026-03-16/data/logs/night 2026-03-16.log"


def test_a_failure_is_told_beside_what_is_usual_and_what_was_before(three: Observatory):
    told = three.ask("night", "2026-03-16", "--json").document
    (failure,) = told["failures"]
    assert (failure["utc"], failure["event"], failure["count"]) == (
        "2026-03-17T03:00:00Z",
        "connection lost",
        2,
    )
    air = next(one for one in failure["readings"] if one["quantity"] == "air temperature")
    assert (air["value"], air["unit"], air["unusual"]) == (-1.0, "deg_C", "below")
    assert air["before"] == pytest.approx(0.08, abs=0.1)
    assert (air["usual_lowest"], air["usual_nights"]) == (3.0, 3)
    assert 5.4 < air["usual"] < 6.6
    humidity = next(one for one in failure["readings"] if one["quantity"] == "humidity")
    assert humidity["unusual"] == ""
    assert told["usual_from"] == ["2026-03-13", "2026-03-14", "2026-03-15"]


def test_values_that_were_read_long_before_and_those_that_go_with_others_are_said_to(folder: Path):
    there = Observatory(folder / "old values")
    for number, last in enumerate((3.0, 5.0, 4.0)):
        there.night(f"2026-03-{12 + number}", last)
    # Frames of 600 s from 20:30 on, 11 minutes apart: the last one ended at 21:02.
    there.night("2026-03-15", -4.0, "2026-03-15T21:25:00 lost connection\n", first=0.0)
    told = there.ask("night", "2026-03-15", "--json").document
    (failure,) = told["failures"]
    at = {one["quantity"]: one for one in failure["readings"]}
    assert (at["air temperature"]["age_s"], at["moon lit"]["age_s"]) == (300.0, 33 * 60.0)
    assert (at["air temperature"]["unusual"], at["air temperature"]["follows"]) == ("below", "")
    assert at["dew point"]["follows"] == "air temperature", "the humidity is the same all night"
    text = " ".join(there.ask("night", "2026-03-15").out.split())
    head = text.partition("and what goes up and down with it through these nights: ")[2].partition(";")[0]
    assert "dew point" in head
    assert "moon" not in head
    assert "Unlike in 3 nights that went well (up to 2 of 4 readings may be so by chance): air" in text
    assert at["moon lit"]["unusual"] == "below", "that is the calendar's doing, and does not come first"
    assert "moon" not in text.partition("Unlike in")[2].partition("The longest time")[0]
    old = text.partition("Not read just then, but so long before: ")[2].partition(".")[0]
    assert "moon lit" in old
    assert old.endswith("33 min")
    assert "air temperature" not in old


def test_a_gap_says_when_the_next_frame_was_due(folder: Path):
    there = Observatory(folder / "due", more="")
    there.night("2026-03-14", 3.0, frames=4)
    lines = there.ask("night", "2026-03-14").out.splitlines()
    # The last frame ended at 21:13; the next one would have begun a minute later, and lasted ten.
    assert "! 21:13  no frame for 437 min, until 04:30; the next one was due by 21:24" in lines
    assert any(
        line.startswith("At 21:13: no frame came any more; the next one was due by 21:24") for line in lines
    )
    assert "! 20:02  no frame for 28 min, until 20:30" in lines


def test_the_screen_tells_it_in_the_order_of_time(three: Observatory):
    for columns in ("80", "120"):
        ran = three.ask("night", "2026-03-16", COLUMNS=columns, PYTHONIOENCODING="utf-8")
        lines = ran.out.splitlines()
        assert max(map(len, lines)) <= int(columns)
        assert lines[0].startswith("The night of 2026-03-16 at Test Down")
        clocks = [line[2:7] for line in lines if line[4:5] == ":" and line[:1] in " !"]
        evening = [clock for clock in clocks if clock > "12"]
        assert clocks == sorted(evening) + sorted(set(clocks) - set(evening))
        assert "! 03:00  connection lost (logs), 2 times in a burst" in lines
        assert any(line.startswith("air temperature") and "below usual" in line for line in lines)
        assert "open a powered" in " ".join(ran.out.split()), "readings of dew come with the caution"


def test_a_terminal_without_bars_gets_digits(three: Observatory):
    ran = three.ask("night", "2026-03-16", COLUMNS="120", PYTHONIOENCODING="ascii")
    row = next(line for line in ran.out.splitlines() if line.startswith("air temperature"))
    assert row.rstrip()[-1] == "0"
    assert "98" in row


def test_a_quiet_night_has_no_failure_and_no_excuse(three: Observatory):
    told = three.ask("night", "2026-03-14", "--json").document
    assert told["failures"] == []
    assert told["message"] == "The night of 2026-03-14: 3 frames, no failure."
    assert "need not have caused it" not in three.ask("night", "2026-03-14").out


def test_a_night_that_the_archive_does_not_have_is_said(three: Observatory):
    ran = three.ask("night", "2026-04-01", "--json")
    assert (ran.exit, ran.document["failures"]) == (2, [])
    assert "nothing of the night of 2026-04-01" in ran.document["message"]


def test_only_nights_marked_good_are_usual_where_there_are_some(folder: Path):
    there = Observatory(folder / "marked")
    there.night("2026-03-14", 3.0)
    there.night("2026-03-15", 0.0)
    there.night("2026-03-16", -4.0, LOST)
    there.mark("2026-03-14", "good")
    there.mark("2026-03-16", "lost", "frost")
    told = there.ask("night", "2026-03-16", "--json").document
    assert (told["verdict"], told["because"], told["usual_from"]) == ("lost", "frost", ["2026-03-14"])
    (failure,) = told["failures"]
    assert {one["unusual"] for one in failure["readings"]} == {""}, "one night does not say what is usual"
    assert "it takes 3" in there.ask("night", "2026-03-16").out
    assert "marked lost (frost)" in there.ask("night", "2026-03-16").out.splitlines()[0]


def test_without_a_failure_named_gaps_in_the_dark_count(folder: Path):
    there = Observatory(folder / "gaps", more="")
    there.night("2026-03-14", 3.0, frames=4)
    told = there.ask("night", "2026-03-14", "--json").document
    # Dark from 20:02 to 04:30; frames from 20:30 to 21:13.
    assert [(one["from_utc"][11:16], one["to_utc"][11:16]) for one in told["gaps"]] == [
        ("20:02", "20:30"),
        ("21:13", "04:30"),
    ]
    assert [one["event"] for one in told["failures"]] == ["gap", "gap"]


def test_flats_before_sunset_are_no_readings_of_the_night(folder: Path):
    there = Observatory(folder / "flats")
    for number in (1, 2):
        begun = f"2026-03-14T17:{20 + 10 * number}:00"
        there.computer.frame(f"flats/{number}.fits", begun=begun, kind="Flat Field")
    there.night("2026-03-14", 3.0)
    told = there.ask("night", "2026-03-14", "--json").document
    pause = next(one for one in told["readings"] if one["quantity"] == "time between exposures")
    assert (pause["count"], pause["highest"]) == (3, 160.0), "the lights alone, from the last flat on"
    assert told["message"].startswith("The night of 2026-03-14: 5 frames")


def test_logs_that_a_changed_description_has_not_read_are_counted(folder: Path):
    there = Observatory(folder / "behind")
    there.night("2026-03-14", 3.0)
    assert there.ask("night", "2026-03-14", "--json").document["logs_behind"] == 0
    there.desk.more = LOGS.replace("air temperature", "tube temperature")
    there.desk.configure()
    assert there.ask("night", "2026-03-14", "--json").document["logs_behind"] == 1
    assert "nightferry index --logs" in there.ask("night", "2026-03-14").out
    there.ask("index", "--logs")
    assert there.ask("night", "2026-03-14", "--json").document["logs_behind"] == 0


def test_a_night_is_drawn_into_a_new_picture(three: Observatory, tmp_path: Path):
    for name in ("night.png", "night.svg"):
        assert three.ask("night", "2026-03-16", "--plot", str(tmp_path / name)).exit == 0
    picture = (tmp_path / "night.png").read_bytes()
    # The PNG specification, 11.2.2: width and height are the first of the IHDR chunk.
    width, height = (int.from_bytes(picture[at : at + 4], "big") for at in (16, 20))
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    assert (width, height > width / 2) == (1200, True)
    drawn = ET.parse(tmp_path / "night.svg")
    comments = (tmp_path / "night.svg").read_text()
    assert drawn.getroot().tag.endswith("svg")
    assert "<!-- air temperature -->" in comments
    assert "<!-- The night of 2026-03-16 at Test Down -->" in comments


def test_a_picture_takes_no_other_files_place(three: Observatory, tmp_path: Path):
    (tmp_path / "mine.png").write_bytes(b"mine")
    ran = three.ask("night", "2026-03-16", "--plot", str(tmp_path / "mine.png"))
    assert (ran.exit, (tmp_path / "mine.png").read_bytes()) == (2, b"mine")
    assert three.ask("night", "2026-03-16", "--plot", str(tmp_path / "night.gif")).exit == 2
    assert three.ask("night", "2026-03-16", "--plot", str(tmp_path / "nowhere" / "n.png")).exit == 2


def test_without_the_library_it_says_how_to_get_it(
    three: Observatory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with open_index(three.desk.archive / "index.sqlite") as index:
        told = night_told(index, date(2026, 3, 16), Place(-1.9, 51.2))
    with pytest.raises(ConfigurationError, match=r"pip install 'nightferry\[plot\]'"):
        draw_night(told, "night", tmp_path / "night.png")
    assert list(tmp_path.iterdir()) == []
