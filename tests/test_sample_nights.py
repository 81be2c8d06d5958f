"""The invented winter, from the telescope to the comparison: what was planted is found, nothing else."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.in_memory import folder_in_memory
from tests.support.nights import Ran, run

SCRIPT = Path(__file__).parents[1] / "sample_session" / "make_nights.py"
COLD = ["2026-01-03", "2026-01-11", "2026-01-20", "2026-01-29", "2026-02-05", "2026-02-12"]
UNEXPLAINED, QUIET = "2026-01-26", "2026-01-18"


def made(folder: Path) -> Path:
    done = subprocess.run(
        [sys.executable, "-W", "error", SCRIPT, folder], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("325 files of 14 nights")
    return folder


@pytest.fixture(scope="module")
def winter() -> Iterator[Path]:
    with folder_in_memory() as empty:
        folder = made(empty)
        assert ask(folder, "send", "--all").exit == 0
        assert ask(folder, "file", str(folder / "stick"), "--no-measures").exit == 0
        for line in (folder / "verdicts.txt").read_text().splitlines():
            night, verdict, *because = line.split(" ", 2)
            assert ask(folder, "mark", night, verdict, "--because", "".join(because)).exit == 0
        yield folder


def ask(folder: Path, *words: str) -> Ran:
    return run(*words, "--config", folder / "nightferry.toml")


def ask_at(folder: Path, columns: int, *words: str) -> str:
    return run(*words, "--config", folder / "nightferry.toml", environ={"COLUMNS": str(columns)}).out


def document(folder: Path, *words: str) -> dict[str, Any]:
    return ask(folder, *words, "--json").document


def test_every_description_fits(winter: Path):
    told = document(winter, "plan", "--logs", "--all")
    assert (told["exit"], [one["matched"] for one in told["logs"]]) == (0, [14, 14, 14])


def test_the_failure_that_the_readings_explain_is_found(winter: Path):
    told = document(winter, "compare")
    hub = [one for one in told["within"] if one["event"] == "hub not responding"]
    box = next(one for one in hub if one["quantity"] == "box temperature")
    assert (box["side"], box["sure"], len(box["values"])) == ("below", True, 6)
    assert max(box["values"]) <= 1.0
    assert "air temperature" in {one["quantity"] for one in hub if one["sure"]}
    late = next(one for one in hub if one["quantity"] == "hours after sunset")
    assert not late["sure"], "it is not the time of the night"


def test_the_failure_that_nothing_explains_is_not_explained(winter: Path):
    told = document(winter, "compare")
    mount = [one for one in told["within"] if one["event"] == "mount stopped"]
    assert mount
    assert not any(one["sure"] for one in mount)
    night = document(winter, "night", UNEXPLAINED)
    (failure,) = night["failures"]
    assert failure["event"] == "mount stopped"
    assert {one["unusual"] for one in failure["readings"]} == {""}


def test_what_frames_say_is_no_finding_because_failed_nights_have_fewer_of_them(winter: Path):
    told = document(winter, "compare")
    assert "sensor temperature" in {one["quantity"] for one in told["uneven"] if one["fewer"] == "poor"}
    assert "sensor temperature" not in {one["quantity"] for one in told["separations"]}
    sensor = {one["night"]: one["values"]["sensor temperature"] for one in told["nights"]}
    assert all("at failure" in sensor[night] for night in COLD)


def test_the_answer_comes_first_and_names_what_explains_it(winter: Path):
    lines = ask(winter, "compare").out.splitlines()
    assert lines[0] == "14 nights: 7 poor or lost, 7 good."
    assert lines[1].startswith(
        "hub not responding came in 6 of the 7 poor or lost nights, each time with box temperature at 1.00 °C"
        " or below; at all other times until a night failed it was at 1.01 °C or above."
        " Sure: by chance that comes less than once in 1,100. With it go air temperature at -1.4 °C or below"
    )
    assert "ambient temperature at -0.9 °C or below (read up to 40 min before)" in lines[1]
    often = "of all other time until a night failed 15% was so without a failure."
    assert lines[1].endswith(f"Less clearly, derived from others, dew point at -3.8 °C or below: {often}")
    assert lines[2] == "Does not fit that: 2026-01-26 (mount stopped, with no reading surely unusual)."


def test_dew_that_follows_the_cold_does_not_lead(winter: Path):
    """One reader would have bought a dew heater."""
    told = document(winter, "compare")
    assert told["separations"][0]["quantity"] == "box temperature"
    dew = next(one for one in told["separations"] if one["quantity"] == "dew point")
    assert (dew["sure"], dew["follows"]) == (True, "box temperature, highest")
    (between,) = [
        line for line in ask(winter, "compare").out.splitlines() if line.startswith("Between the nights,")
    ]
    sides = (
        "Between the nights, nearly sure of 44 values tried: poor nights have box temperature (highest,"
        " 0.1 to 1.8 h after sunset) at 5.8 °C or below, good ones at 7.8 °C or above; no night lies between."
        " The exception is 2026-01-26, on the other side."
    )
    assert between.startswith(sides)
    assert "; and dew point, derived from others" in between.removeprefix(sides)


def test_two_poor_and_two_good_nights_sound_no_surer_than_fourteen(winter: Path):
    few = ask(winter, "compare", "2026-01-03", "2026-01-20", "2026-01-06", "2026-01-09").out.splitlines()
    assert few[1].startswith("hub not responding came in both poor or lost nights, each time with box temp")
    assert "Hardly chance (that comes less than once in 100), but 2 such nights are few." in few[1]
    assert "With it goes air temperature at -1.4 °C or below: these nights cannot tell" in few[1]
    rest = "These chances rest on 2 failures alone: one more night of either kind may change them."
    assert rest in few
    assert not any("it may be far less" in line for line in few)
    many = ask(winter, "compare").out.splitlines()
    assert any("no chance smaller than once in 1,100 here" in line for line in many)
    assert rest not in many
    assert "Sure" not in few[1]
    assert "4 nights are too few, for even the cleanest parting comes by chance 3.3 times in 10" in few[2]


@pytest.mark.parametrize("columns", [80, 120])
def test_the_screen_shows_what_matters_and_says_how_to_see_all(winter: Path, columns: int):
    short, whole = (ask_at(winter, columns, "compare", *words).splitlines() for words in ([], ["--all"]))
    assert 2 * len(short) < len(whole)
    assert max(map(len, (*short, *whole))) <= columns
    assert short[0] == whole[0]
    named = {"supply voltage, V", "wind, m/s", "humidity, %"}
    assert not any(line.startswith(tuple(named)) for line in short)
    assert all(any(line.startswith(name) for line in whole) for name in named)
    assert sum("fall, " in line for line in whole) > sum("fall, " in line for line in short) == 0
    text = " ".join(" ".join(short).split())
    assert "11 more quantities, and all that was tried: nightferry compare --all (or --json)." in text
    assert "and 21 more that may well be chance: --all shows them" in text


def test_a_table_says_how_old_its_values_are(winter: Path):
    told = document(winter, "compare")
    night = next(one for one in told["nights"] if one["night"] == "2026-02-05")
    assert night["at_failure_age_s"]["ambient temperature"] == pytest.approx(40 * 60, abs=60)
    lines = ask(winter, "compare", "--all").out.splitlines()
    place = next(
        number for number, line in enumerate(lines) if line.startswith("ambient temperature, °C  lowest")
    )
    old = next(line for line in lines[place:] if line.split()[:1] == ["read"])
    assert old.split()[:6] == ["read", "before", "25", "min", "22", "min"]


def test_wind_humidity_and_supply_part_nothing(winter: Path):
    told = document(winter, "compare")
    by_chance = {"wind", "humidity", "supply voltage"}
    assert not by_chance & {one["quantity"] for one in told["separations"] if one["sure"]}
    assert not by_chance & {one["quantity"] for one in told["within"] if one["sure"]}


@pytest.mark.parametrize("night", COLD)
def test_each_cold_night_says_how_cold_it_was_when_the_hub_went(winter: Path, night: str):
    told = document(winter, "night", night)
    (failure,) = told["failures"]
    assert (failure["event"], failure["count"]) == ("hub not responding", 3)
    box = next(one for one in failure["readings"] if one["quantity"] == "box temperature")
    assert (box["unusual"], box["usual_nights"]) == ("below", 7)
    assert box["value"] <= 1.0 < box["usual_lowest"]


def test_what_was_unusual_in_one_night_alone_stands_apart_as_perhaps_chance(winter: Path):
    (failure,) = document(winter, "night", "2026-01-11")["failures"]
    at = {one["quantity"]: one for one in failure["readings"]}
    assert [(at[name]["again"], at[name]["again_of"]) for name in ("box temperature", "wind")] == [
        (5, 5),
        (1, 5),
    ]
    lines = ask(winter, "night", "2026-01-11").out.splitlines()
    told = next(line for line in lines if line.startswith("At 18:31: hub not responding"))
    assert "Unlike in 7 nights that went well (up to 3 of 10 readings may be so by chance): box temp" in told
    assert "0.9 °C (usually 3.1 to 11.3; so in all 5 other nights with this failure)" in told
    chance = "wind 0.6 m/s (usually 1.4 to 4.8; so in only 1 of 5 other nights with this failure)."
    assert told.endswith(f"Perhaps only chance: {chance}")
    rows = [line.partition("  ")[0] for line in lines if line.endswith("below usual")]
    assert rows[-1] == "wind"


def test_in_the_quiet_night_nothing_happened(winter: Path):
    told = document(winter, "night", QUIET)
    assert (told["verdict"], told["events"], told["failures"]) == ("good", [], [])
    assert [gap["minutes"] < 60 for gap in told["gaps"]] == [True] * len(told["gaps"])


def test_a_log_without_an_event_is_no_finding(winter: Path):
    assert document(winter, "index", "--logs")["findings"] == []


def test_the_script_makes_the_same_nights_every_time(winter: Path, tmp_path: Path):
    again = made(tmp_path / "again")
    first = {path.relative_to(winter): path.read_bytes() for path in (winter / "telescope").rglob("*.*")}
    second = {path.relative_to(again): path.read_bytes() for path in (again / "telescope").rglob("*.*")}
    assert first == second
