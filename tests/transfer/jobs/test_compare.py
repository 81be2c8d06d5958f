"""Nights side by side: what parts them is found and not oversold."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from tests.support.in_memory import folder_in_memory
from tests.support.observatory import FAILURE, LOGS, Observatory
from transfer.jobs.send.survey import Scope

# Common practice, no published source: first and last temperature of five nights, °C, and how they went.
FIVE = (
    (1.8, -2.8, "poor"),
    (8.0, 3.0, "good"),
    (13.0, 4.0, "good"),
    (11.0, 0.8, "good"),
    (0.8, -0.5, "lost"),
)


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with folder_in_memory() as made:
        yield made


def night_of(number: int) -> date:
    return date(2026, 3, 10) + timedelta(days=number)


@pytest.fixture(scope="module")
def five(folder: Path) -> Observatory:
    there = Observatory(folder / "five")
    for number, (first, last, verdict) in enumerate(FIVE):
        morning = f"{night_of(number + 1)}T05:30:00"
        events = "" if verdict == "good" else f"{morning} lost connection\n"
        there.night(str(night_of(number)), last, events, first=first)
        there.mark(str(night_of(number)), verdict)
    return there


def air(found: list[dict], statistic: str) -> dict:
    return next(one for one in found if (one["quantity"], one["statistic"]) == ("air temperature", statistic))


def test_the_lowest_temperature_parts_the_five_nights_and_nothing_is_sure(five: Observatory):
    told = five.ask("compare", "--json").document
    lowest = air(told["separations"], "lowest")
    # The nights' own readings, from sunset to sunrise, every ten minutes.
    assert (lowest["poor_side"], lowest["between"]) == ("below", [-0.5, 0.8])
    assert (lowest["chance_below"], lowest["chance_either"]) == pytest.approx((0.1, 0.2))
    assert lowest["chance_corrected"] >= lowest["chance"] == pytest.approx(0.2)
    assert not any(one["sure"] for one in told["separations"])
    assert told["tried"] > 5
    assert "once in 10 in this direction" in lowest["words"]
    assert "twice in 10 in either" in lowest["words"]
    assert "nothing is sure" in told["message"]


def test_each_night_has_its_values_and_those_at_its_failure(five: Observatory):
    told = five.ask("compare", "--json").document
    nights = {one["night"]: one for one in told["nights"]}
    first = nights["2026-03-10"]
    assert (first["verdict"], first["failures"]) == ("poor", 1)
    values = first["values"]["air temperature"]
    assert values["lowest"] == -2.8
    assert values["at failure"] == pytest.approx(-2.61, abs=0.01)
    assert values["fall per hour"] == pytest.approx(4.6 / 12, abs=0.01)
    assert "at failure" not in nights["2026-03-11"]["values"]["air temperature"]
    assert told["units"]["air temperature"] == "deg_C"


def test_what_was_expected_is_tried_alone_and_in_its_direction(five: Observatory):
    told = five.ask("compare", "--json", "--expect", "Air temperature below").document
    (one,) = told["separations"]
    assert (told["tried"], one["statistic"], one["expected"]) == (1, "lowest", True)
    assert (one["chance"], one["chance_corrected"]) == pytest.approx((0.1, 0.1))
    assert "asked for beforehand" in one["words"]
    fall = five.ask("compare", "--json", "--expect", "fall per hour of air temperature above").document
    assert fall["tried"] == 1


@pytest.mark.parametrize("words", ["air temperature", "barometer below", "air temperature beneath"])
def test_an_expectation_that_names_nothing_is_refused(five: Observatory, words: str):
    ran = five.ask("compare", "--json", "--expect", words)
    assert (ran.exit, ran.document["separations"]) == (2, [])


def test_within_the_nights_the_failures_came_in_the_cold(five: Observatory):
    told = five.ask("compare", "--json").document
    cold = next(one for one in told["within"] if one["quantity"] == "air temperature")
    assert (cold["side"], len(cold["values"])) == ("below", 2)
    late = next(one for one in told["within"] if one["quantity"] == "hours after sunset")
    assert late["side"] == "above", "it came late as well, and that is said"


def test_the_screen_has_the_nights_side_by_side(five: Observatory):
    for columns in (80, 120):
        ran = five.ask("compare", COLUMNS=str(columns), PYTHONIOENCODING="utf-8")
        lines = ran.out.splitlines()
        assert max(map(len, lines)) <= columns
        assert lines[0] == "5 nights: 2 poor or lost, 3 good."
        heading = next(
            number for number, line in enumerate(lines) if line.startswith("quantity") and "2026" in line
        )
        assert lines[heading].split()[:3] == ["quantity", "2026-03-10", "2026-03-14"]
        assert lines[heading + 1].split()[:3] == ["verdict", "poor", "lost"]
        whole = five.ask("compare", "--all", COLUMNS=str(columns), PYTHONIOENCODING="utf-8").out.splitlines()
        assert any("fall, °C/h" in line for line in whole)
        assert max(map(len, whole)) <= columns
        answer = " ".join(" ".join(lines[:heading]).split())
        assert "nothing is sure, of" in answer
        assert "connection lost came in 2 nights, and no reading was surely unusual then." in answer
        assert any(line.startswith("air temperature, °C") for line in lines)
        text = " ".join(ran.out.split())
        assert "What goes together need not cause one another." in text
        assert "open a powered box" in text


RUNS = """
[[source.logs]]
files = "focus/*.json"
form = "json"
time = "began"
zone = "UTC"
readings = { "tube temperature" = { at = "tube", unit = "°C" } }
"""


def focus_runs(there: Observatory, night: date, first: float, last: float, count: int) -> None:
    """Write a file for each focus run of a night, hourly from 20:00, from one temperature to another."""
    for number in range(count):
        began = datetime(night.year, night.month, night.day, 20, tzinfo=UTC) + timedelta(hours=number)
        tube = round(first - (first - last) * number / (count - 1), 2)
        run = there.computer.log(
            f"focus/{night} {number}.json", json.dumps({"began": f"{began:%FT%T}", "tube": tube}).encode()
        )
        os.utime(run, (began.timestamp(), began.timestamp()))


def test_the_same_nights_by_their_focus_runs_of_which_failed_nights_have_fewer(folder: Path):
    there = Observatory(folder / "runs", more=RUNS + FAILURE)
    for number, (first, last, verdict) in enumerate(FIVE):
        focus_runs(there, night_of(number), first, last, count=8 if verdict == "good" else 3)
        there.night(str(night_of(number)), 5.0)
        there.mark(str(night_of(number)), verdict)
    told = there.ask("compare", "--json").document
    tube = [one for one in told["separations"] if one["quantity"] == "tube temperature"]
    lowest = next(one for one in tube if one["statistic"] == "lowest")
    assert (lowest["poor_side"], lowest["between"]) == ("below", [-0.5, 0.8])
    assert (lowest["chance_below"], lowest["chance_either"]) == pytest.approx((0.1, 0.2))
    assert not any(one["statistic"] in ("last", "fall per hour") for one in tube)
    uneven = next(one for one in told["uneven"] if one["quantity"] == "tube temperature")
    begun, ended = uneven["hours_in_common"]
    # Two hours of runs, counted from sunsets that come 1.7 minutes later each day.
    assert (uneven["fewer"], ended - begun) == ("poor", pytest.approx(1.89, abs=0.01))
    asked = there.ask("compare", "--json", "--expect", "tube temperature below").document
    assert [(one["statistic"], one["chance"]) for one in asked["separations"]] == [("lowest", 0.1)]
    refused = there.ask("compare", "--expect", "last of tube temperature above")
    assert "nothing is sure, of 1 value tried" in " ".join(refused.out.split())


def test_nights_that_are_asked_for_need_no_verdict(folder: Path, five: Observatory):
    told = five.ask("compare", "2026-03-10", "2026-03-11", "--json").document
    assert [one["night"] for one in told["nights"]] == ["2026-03-10", "2026-03-11"]
    assert five.ask("compare", "2026-05-01").exit == 2


def test_nights_without_a_verdict_are_counted_and_how_to_have_them_in_is_said(folder: Path):
    there = Observatory(folder / "left out")
    for number in range(4):
        there.night(str(night_of(number)), 3.0)
    there.computer.frame("dark.fits", begun="2026-03-01T22:00:00", kind="Dark Frame")
    there.computer.send(there.stick, scope=Scope(everything=True))
    there.desk.file(there.stick)
    there.mark(str(night_of(0)), "poor")
    there.mark(str(night_of(1)), "good")
    told = there.ask("compare", "--json").document
    assert told["left_out"] == [str(night_of(2)), str(night_of(3))], "darks alone have nothing to compare"
    assert told["message"].startswith(
        "2 nights: 1 poor or lost, 1 good. 2 more have no verdict and are left out:"
        " say of each how it went by nightferry mark NIGHT good (or poor, or lost)."
    )
    three = there.ask("compare", *(str(night_of(number)) for number in range(3)), "--json").document
    assert three["left_out"] == [], "they were not asked for"
    assert (
        "3 nights: 1 poor or lost, 1 good. 1 without a verdict: only shown beside them." in three["message"]
    )


def test_a_failure_that_came_after_one_of_another_kind_is_told(folder: Path):
    there = Observatory(folder / "another", more=FAILURE + '[[failure]]\nevent = "gap"\n')
    there.night(str(night_of(0)), 3.0, f"{night_of(0)}T23:00:00 lost connection\n")
    there.mark(str(night_of(0)), "poor")
    told = there.ask("compare", "--json").document
    assert told["nights"][0]["first_failure"]["event"] == "gap", "the last frame ended at 21:02"
    assert told["nights"][0]["other_failures"] == ["connection lost"]
    text = " ".join(there.ask("compare").out.split())
    assert "Not looked at, for another failure came first: connection lost in 2026-03-10." in text


def test_without_verdicts_it_says_what_to_do(folder: Path):
    there = Observatory(folder / "unmarked")
    there.night("2026-03-14", 3.0)
    told = there.ask("compare", "2026-03-14", "--json").document
    assert (told["separations"], told["tried"]) == ([], 0)
    assert "nightferry mark NIGHT good" in told["message"]
    assert there.ask("compare", "--json").document["nights"] == []


def test_a_failure_that_the_readings_do_not_explain_is_not_explained(folder: Path):
    """Eight nights alike but for chance; in some of them the connection is lost at any hour."""
    there = Observatory(folder / "unexplained")
    lost = {1: "21:40", 4: "23:10", 6: "20:50"}
    for number in range(8):
        events = f"{night_of(number)}T{lost[number]}:00 lost connection\n" if number in lost else ""
        there.night(str(night_of(number)), (4.1, 3.2, 5.5, 4.4, 3.9, 3.0, 4.8, 5.0)[number], events)
        there.mark(str(night_of(number)), "poor" if number in lost else "good")
    told = there.ask("compare", "--json").document
    assert not any(one["sure"] for one in told["separations"])
    assert not any(one["sure"] for one in told["within"])


def cold_afterwards(there: Observatory, number: int, failed_h: int | None) -> None:
    """Write a night's logs: as every night's, but cold and dry once the connection is lost."""
    midnight = datetime.combine(night_of(number), time(0), UTC)
    failed = None if failed_h is None else midnight + timedelta(hours=failed_h)
    rows = ["utc,air,humidity"]
    for step in range(73):
        at = midnight + timedelta(hours=18, minutes=10 * step)
        late, ripple = failed is not None and at > failed, (number * 7 + step * 3) % 11 / 10
        rows.append(f"{at:%FT%T},{5 + ripple - 9 * late:.2f},{70 + ripple - 30 * late:.1f}")
    events = "" if failed is None else f"{failed:%FT%T} lost connection\n"
    written = midnight.timestamp() + 23 * 3600
    for name, content in (("mast {}.csv", "\n".join(rows) + "\n"), ("night {}.log", events)):
        log = there.computer.log(name.format(night_of(number)), content.encode())
        os.utime(log, (written, written))


def test_what_only_followed_the_failures_is_listed_apart_and_not_sure(folder: Path):
    there = Observatory(folder / "afterwards")
    for number in range(14):
        cold_afterwards(there, number, 22 + number % 3 if number < 7 else None)
    there.computer.send(there.stick, scope=Scope(everything=True))
    there.desk.file(there.stick)
    for number in range(14):
        there.mark(str(night_of(number)), "good" if number >= 7 else "poor")
    told = there.ask("compare", "--json").document
    lowest = air(told["separations"], "lowest")
    assert (lowest["only_with_later_hours"], lowest["sure"], lowest["exceptions"]) == (True, False, [])
    assert lowest["chance"] < 0.001
    assert not any(one["sure"] for one in told["separations"])
    assert "air temperature" not in told["message"]
    first = {one["night"]: one["first_failure"] for one in told["nights"]}
    assert first["2026-03-11"] == {"utc": "2026-03-11T23:00:00Z", "event": "connection lost"}
    assert first["2026-03-20"] is None
    text = " ".join(there.ask("compare").out.split())
    apart = text.partition("Only with the hours after the failures would these part the nights: ")[2]
    assert "air temperature (fall per hour, last, lowest)" in apart.partition(". They may be")[0]
    assert "first failure, UTC 22:00 23:00 00:00" in text


ROOF = (
    LOGS.replace('"logs"', '"roof"', 1)
    .replace("mast*.csv", "roof*.csv")
    .replace('unit = "°C"', 'unit = "°F"')
)


def test_a_quantity_of_two_sources_is_named_with_each(folder: Path):
    there = Observatory(folder / "two sources", more=ROOF)
    telescope = there.computer.file.read_text()
    there.computer.file.write_text(f'{telescope}[[source]]\nname = "roof"\nfolder = "computer/roof"\n')
    roof = there.computer.root / "computer" / "roof" / "roof 2026-03-14.csv"
    roof.parent.mkdir()
    roof.write_text("utc,air,humidity\n2026-03-14T20:00,50,70\n2026-03-14T23:00,41,80\n")
    os.utime(roof, (1773529200, 1773529200))  # 23:00 UTC
    there.night("2026-03-14", 3.0)
    told = there.ask("compare", "2026-03-14", "--json").document
    units = told["units"]
    assert (units["air temperature (logs)"], units["air temperature (roof)"]) == ("deg_C", "deg_F")
    values = told["nights"][0]["values"]
    assert values["air temperature (roof)"]["lowest"] == 41
    # 41 °F and 80 % are 5 °C and a dew point of 1.84 °C by the same formula.
    assert values["dew point (roof)"]["last"] == pytest.approx(1.84, abs=0.01)
    night = there.ask("night", "2026-03-14", "--json").document
    assert {one["source"] for one in night["readings"] if one["quantity"] == "humidity"} == {"logs", "roof"}
