"""Descriptions proposed for logs: what is proposed reads the log, and nothing is put into use."""

from __future__ import annotations

import json
import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.description import Form
from manifests.readings.proposing import propose
from tests.support.nights import NIGHT, run
from transfer.config.schema import config_from_tables
from transfer.jobs.log_proposal import propose_for

SESSION = Path(__file__).parents[3] / "sample_session" / "computer"
LOGS = sorted(path for path in SESSION.rglob("*") if path.suffix in (".csv", ".json", ".log", ".txt"))
LATE = 1773529200  # 23:00 UTC of the night

ROWS = (f"14.03.2026 20:{minute:02d};{3 - minute / 10:.1f};77,0;1,5;calm\n" for minute in range(20))
MAST = "".join(("a mast\nTime;Air °C;Humidity %;Wind m/s;What\n", *ROWS))
BOX = {"temp_c": 4.5, "supply (V)": 12.9}
RECORDS = "".join(
    json.dumps({"at": 1773518400 + 60 * minute, "box": BOX, "ok": True}) + "\n" for minute in range(20)
)
DIARY = "diary\n" + "".join(f"[14 Mar 20:{minute:02d}:00] follow\n" for minute in range(20))


def proposed(tmp_path: Path, name: str, content: str):
    file = tmp_path / name
    file.write_text(content, encoding="utf-8")
    os.utime(file, (LATE, LATE))
    outcome = propose_for(file)
    assert outcome.proposal is not None
    text = f'[[source]]\nname = "logs"\nfolder = "x"\n{outcome.text}'
    (source,) = config_from_tables(tomllib.loads(text), tmp_path / "nightferry.toml", {}).sources
    (described,) = source.logs
    return described, outcome


def readings(described) -> dict[str, tuple[str | int, str]]:
    return {one.quantity: (one.at, one.unit) for one in described.readings}


def test_a_table_gives_its_time_its_numbers_and_their_units(tmp_path: Path):
    described, outcome = proposed(tmp_path, "mast 2026-03-14.csv", MAST)
    assert (described.form, described.time, described.time_format) == (Form.TABLE, "Time", "%d.%m.%Y %H:%M")
    assert readings(described) == {
        "Air": ("Air °C", "°C"),
        "Humidity": ("Humidity %", "%"),
        "Wind": ("Wind m/s", "m/s"),
    }
    assert described.files == "**/mast *.csv"
    assert outcome.proposal.account.readings == 60
    assert "# zone =" in outcome.text, "whose clock it is nobody can tell from this"


def test_records_of_json_give_their_paths(tmp_path: Path):
    described, outcome = proposed(tmp_path, "box.jsonl", RECORDS)
    assert (described.form, described.time, described.time_format) == (Form.JSON, "at", "%s")
    assert readings(described) == {"box temp": ("box.temp_c", "°C"), "box supply": ("box.supply (V)", "V")}
    assert outcome.proposal.account.readings == 40


def test_lines_give_the_time_that_they_begin_with(tmp_path: Path):
    described, outcome = proposed(tmp_path, "mount.log", DIARY)
    assert (described.form, described.time_format) == (Form.LINES, "%d %b %H:%M:%S")
    assert outcome.proposal.account.taken == 20
    assert outcome.proposal.account.unmatched == 1
    assert [one.event for one in described.events] == ["connection lost"]


@pytest.mark.parametrize(
    "path", sorted(SESSION.glob("*/**/*.[ctjl][sxo][vtgo]*")), ids=lambda path: path.name
)
def test_what_is_proposed_for_the_sample_session_reads_it(path: Path):
    outcome = propose_for(path)
    assert outcome.proposal is not None
    assert outcome.proposal.account.taken > 0


@pytest.mark.parametrize(
    "content", [b"", b"no time here\n" * 9, bytes(range(1, 32)) * 99, b'{"a": 1}', b"[]"]
)
def test_where_nothing_looks_like_a_time_nothing_is_proposed(tmp_path: Path, content: bytes):
    (tmp_path / "log").write_bytes(content)
    outcome = propose_for(tmp_path / "log")
    assert (outcome.proposal, outcome.text, int(outcome.exit_code)) == (None, "", 1)


@given(st.binary(max_size=500))
def test_no_content_breaks_it(content):
    propose(content, "log", NIGHT)


def test_the_command_prints_it_and_writes_nothing(tmp_path: Path):
    (tmp_path / "mast.csv").write_text(MAST, encoding="utf-8")
    before = sorted(tmp_path.iterdir())
    ran = run("setup", "--logs", tmp_path / "mast.csv", environ={"HOME": str(tmp_path)})
    assert ran.exit == 0
    assert tomllib.loads(f"[[source]]\n{ran.out}")["source"][0]["logs"][0]["time"] == "Time"
    assert sorted(tmp_path.iterdir()) == before
    as_json = run("setup", "--logs", tmp_path / "mast.csv", "--json").document
    assert as_json["proposal"] == ran.out
    assert run("setup", "--logs", tmp_path / "nowhere.csv").exit == 2
