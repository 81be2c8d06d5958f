"""[[source.logs]] and [[failure]]: descriptions of logs, as a person writes them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from manifests.readings.description import EventPattern, Form, LogDescription, ReadingAt
from transfer.config import BrokenConfig, Config
from transfer.config.schema import config_from_tables

FILE = Path("/night/nightferry.toml")
WEATHER = r"""
[[source]]
name = "weather"
folder = "mast"
kind = "logs"

[[source.logs]]
files = "**/*.csv"
form = "table"
time = "Timestamp"
time_format = "%Y-%m-%dT%H:%M:%S"
zone = "UTC"
[source.logs.readings]
"air temperature" = { at = "Temp", unit = "deg_C" }
"step" = { at = 3 }

[[source.logs]]
files = "*.log"
form = "lines"
line = '^(?P<time>\S+ \S+) (?P<text>.*)$'
time = "time"
[source.logs.events]
"connection lost" = 'lost (the )?connection|not responding'

[[failure]]
event = "connection lost"
"""


def config(text: str) -> Config:
    return config_from_tables(tomllib.loads(text), FILE, {})


def problem(before: str, after: str) -> str:
    assert before in WEATHER
    with pytest.raises(BrokenConfig) as broken:
        config(WEATHER.replace(before, after, 1))
    (found,) = broken.value.problems
    return str(found)


def test_descriptions_lie_below_their_source():
    read = config(WEATHER)
    assert read.sources[0].logs == (
        LogDescription(
            files="**/*.csv",
            form=Form.TABLE,
            time="Timestamp",
            time_format="%Y-%m-%dT%H:%M:%S",
            zone="UTC",
            readings=(ReadingAt("air temperature", "Temp", "deg_C"), ReadingAt("step", 3)),
        ),
        LogDescription(
            files="*.log",
            form=Form.LINES,
            line=r"^(?P<time>\S+ \S+) (?P<text>.*)$",
            time="time",
            events=(EventPattern("connection lost", "lost (the )?connection|not responding"),),
        ),
    )
    assert read.failures == ("connection lost",)


def test_without_descriptions_there_are_none():
    read = config('[[source]]\nname = "frames"\nfolder = "f"\n')
    assert (read.sources[0].logs, read.failures) == ((), ())


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ('form = "table"', 'form = "xml"', 'source[1].logs[1].form = "xml": expected "table"'),
        ('files = "*.log"', 'files = "../*.log"', "source[1].logs[2].files"),
        ('time = "Timestamp"', "time = 0", "source[1].logs[1].time = 0"),
        ('time = "time"', "time = 2", "source[1].logs[2].time = 2: expected a name"),
        ('time = "Timestamp"\n', "", "source[1].logs[1].time is missing"),
        ('zone = "UTC"', 'zones = "UTC"', "did you mean zone?"),
        ('form = "lines"', 'form = "table"', "it belongs to form"),
        ("line = '^(?P<time>\\S+ \\S+) (?P<text>.*)$'\n", "", "the regular expression of a line"),
        ('{ at = "Temp", unit = "deg_C" }', '{ unit = "deg_C" }', '"air temperature" is not'),
        ('{ at = "Temp", unit = "deg_C" }', '{ at = "Temp", units = "C" }', '"air temperature" is not'),
        ('unit = "deg_C"', "unit = 5", 'the unit of "air temperature" is not'),
        ("= 'lost (the )?connection|not responding'", "= 5", '"connection lost" is not'),
        ('event = "connection lost"', "event = 1", "failure[1].event"),
        ("[[failure]]", "[failure]", "[[failure]], in double brackets"),
    ],
)
def test_what_cannot_be_meant_is_told_with_its_key(before, after, told):
    assert told in problem(before, after)


def test_a_description_that_looks_for_nothing_is_refused():
    bare = '[[source]]\nname = "x"\nfolder = "x"\n[[source.logs]]\nfiles = "*"\nform = "json"\ntime = "t"\n'
    with pytest.raises(BrokenConfig, match="at least one reading or one event"):
        config(bare)


def test_a_source_whose_logs_are_no_tables_is_refused():
    with pytest.raises(BrokenConfig, match=r"source\[1\].logs = 5"):
        config('[[source]]\nname = "x"\nfolder = "x"\nlogs = 5\n')
