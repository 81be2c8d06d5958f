"""Logs read by descriptions: what is in them comes out, and what is broken in them is counted and named."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings import expressions
from manifests.readings.description import (
    FILE_NAME,
    BadDescription,
    EventPattern,
    Form,
    LogDescription,
    ReadingAt,
)
from manifests.readings.expressions import Expression, TooSlow
from manifests.readings.log_reading import LARGEST_JSON_BYTES, LogReader
from manifests.readings.text import LONGEST_LINE
from tests.support.reading_logs import read

MAST = LogDescription(
    files="**/*.csv",
    form=Form.TABLE,
    time="Timestamp",
    zone="UTC",
    readings=(ReadingAt("air temperature", "Temp", "°C"), ReadingAt("humidity", "RH", "%")),
    events=(EventPattern("rain", r"\brain\b"),),
)
NOTES = LogDescription(
    files="*.log",
    form=Form.LINES,
    line=r"^(?P<time>\S+) (?P<text>.*?)(?: air (?P<air>\S+))?$",
    time="time",
    zone="UTC",
    readings=(ReadingAt("air temperature", "air", "deg_C"),),
    events=(EventPattern("connection lost", "lost (the )?connection|not responding"),),
)
FOCUS = LogDescription(
    files="**/run *.json",
    form=Form.JSON,
    time="began.utc",
    readings=(ReadingAt("tube temperature", "tube[0].c", "deg_C"),),
)


def at(clock: str, day: int = 14) -> datetime:
    return datetime.fromisoformat(f"2026-03-{day:02d}T{clock}").replace(tzinfo=UTC)


def test_a_table_gives_each_reading_with_its_moment():
    kept = read(MAST, b"a mast\nTemp;Timestamp;RH\n3,5;2026-03-14T20:00:00;77\n-2,8;2026-03-15T02:00;80 %\n")
    assert kept.readings == [
        (at("20:00"), "air temperature", 3.5),
        (at("20:00"), "humidity", 77.0),
        (at("02:00", 15), "air temperature", -2.8),
        (at("02:00", 15), "humidity", 80.0),
    ]
    assert (kept.account.taken, kept.account.unmatched) == (2, 0)


def test_a_header_that_comes_again_in_another_order_is_followed():
    kept = read(MAST, b"Timestamp,Temp,RH\n2026-03-14T20:00,1,50\nRH,Temp,Timestamp\n60,2,2026-03-14T21:00\n")
    assert kept.values("air temperature") == [1, 2]
    assert kept.values("humidity") == [50, 60]


def test_columns_by_number_need_no_header():
    by_number = LogDescription("*", Form.TABLE, 1, zone="UTC", readings=(ReadingAt("volts", 3, "V"),))
    kept = read(by_number, b"18:00:00;x;13.04\nnoise\n18:02:00;x;13,05\n")
    assert kept.readings == [(at("18:00"), "volts", 13.04), (at("18:02"), "volts", 13.05)]
    assert kept.account.first_unmatched.line == 2


def test_the_half_number_at_the_end_of_a_cut_file_is_not_a_reading():
    whole = b"Timestamp,RH,Temp\n2026-03-14T20:00,50,-11.5\n"
    kept = read(MAST, whole + b"2026-03-14T20:05,51,-1")
    assert kept.values("air temperature") == [-11.5]
    assert kept.values("humidity") == [50, 51]
    kept = read(NOTES, b"20:00:00 x air -11.5\n20:05:00 x air -1")
    assert kept.values("air temperature") == [-11.5]


def test_a_table_without_the_named_columns_says_what_it_saw():
    kept = read(MAST, b"when,what\n1,2\n")
    assert kept.readings == []
    assert 'no line has the columns "Timestamp", "Temp", "RH"; it begins: when,what' in kept.account.problems


def test_lines_give_readings_and_events():
    kept = read(NOTES, b"20:00:00 all is well air 4.5\n03:12:09 camera not responding\n")
    assert kept.readings == [(at("20:00"), "air temperature", 4.5)]
    assert kept.events == [
        (at("03:12:09", 15), "connection lost", "03:12:09 camera not responding", 2),
    ]


def test_the_first_line_that_does_not_match_is_named_with_the_reason():
    kept = read(NOTES, b"20:00:00 fine\nnonsense\nyesterday it rained\n")
    assert (kept.account.taken, kept.account.unmatched) == (1, 2)
    assert kept.account.first_unmatched == (2, "nonsense", "the expression does not match it")


def test_json_readings_are_found_by_their_paths():
    document = {"began": {"utc": "2026-03-14T20:01:53Z"}, "tube": [{"c": 6.5}]}
    kept = read(FOCUS, json.dumps(document).encode())
    assert kept.readings == [(at("20:01:53"), "tube temperature", 6.5)]


def test_each_element_of_a_json_list_has_its_own_time():
    samples = LogDescription(
        "*", Form.JSON, "log[].t", readings=(ReadingAt("a", "log[].a"), ReadingAt("b", "log[].deep[].b"))
    )
    entries = [{"t": f"2026-03-14T2{hour}:00Z", "a": hour, "deep": [{"b": 9}]} for hour in range(3)]
    kept = read(samples, json.dumps({"log": entries}).encode())
    assert [row for row in kept.readings if row[1] == "a"] == [(at(f"2{h}:00"), "a", h) for h in range(3)]
    assert [row[0] for row in kept.readings if row[1] == "b"] == [at(f"2{h}:00") for h in range(3)]


def test_json_a_record_a_line_is_read_around_its_broken_lines():
    lines = '{"began":{"utc":"2026-03-14T20:00Z"},"tube":[{"c":1}]}\n{"beg\n'
    kept = read(FOCUS, (lines + lines.replace(":1}", ":2}")).encode())
    assert kept.values("tube temperature") == [1, 2]
    assert kept.account.unmatched == 2


def test_a_json_document_that_was_cut_gives_what_comes_before_the_cut():
    samples = LogDescription("*", Form.JSON, "log[].t", readings=(ReadingAt("a", "log[].a"),))
    whole = json.dumps(
        {"log": [{"t": f"2026-03-14T2{h}:00Z", "a": h, "s": "x, [{"} for h in range(4)]}, indent=1
    )
    cut = whole[: whole.index('"a": 3')]
    kept = read(samples, cut.encode())
    assert kept.values("a") == [0, 1, 2]
    assert "not whole JSON" in kept.account.problems[0]


def test_json_nested_too_deep_is_named_and_stops_nothing():
    kept = read(FOCUS, b'{"a":' + b"[" * 10_000 + b"]" * 10_000 + b"}")
    assert kept.account.problems == ["it is nested too deep"]


def test_json_larger_than_the_limit_is_named():
    kept = read(FOCUS, b'{"a": "' + b"x" * LARGEST_JSON_BYTES + b'"}')
    assert kept.readings == []
    assert "larger than 16 MiB" in kept.account.problems[0]


def test_a_files_name_may_have_the_time():
    named = LogDescription(
        "*",
        Form.JSON,
        FILE_NAME,
        time_format="%Y-%m-%d %H-%M-%S",
        zone="UTC",
        readings=(ReadingAt("a", "a"),),
    )
    kept = read(named, b'{"a": 1}', "run 2026-03-14 20-01-53.json")
    assert kept.readings == [(at("20:01:53"), "a", 1)]
    assert read(named, b'{"a": 1}', "run 7.json").account.problems == [
        "its name has no time that fits the format"
    ]


def test_events_of_json_are_found_in_its_texts():
    described = LogDescription(
        "*", Form.JSON, "[].t", events=(EventPattern("connection lost", "lost"),), readings=()
    )
    kept = read(
        described, b'[{"t":"2026-03-14T20:00Z","m":"fine"},{"t":"2026-03-14T21:00Z","m":["lost it"]}]'
    )
    assert [(when, text) for when, _, text, _ in kept.events] == [(at("21:00"), "lost it")]


def test_half_a_character_in_a_text_is_replaced_where_no_database_takes_it():
    described = LogDescription("*", Form.JSON, "t", events=(EventPattern("lost", "lost"),))
    kept = read(described, b'{"t": "2026-03-14T20:00Z", "m": "lost \\ud800 it"}')
    assert [text for _, _, text, _ in kept.events] == ["lost ? it"]


NASTY_TIMES = st.text(alphabet="0123456789-:T.,+Z %", max_size=40) | st.text(max_size=40) | st.integers()


@given(NASTY_TIMES, st.sampled_from(["", "%s", "%F %T", "%d %b %H:%M", "%j %Y %I %p", "%H:%M:%S%z"]))
def test_no_time_at_all_breaks_the_reading(written, time_format):
    described = LogDescription("*", Form.JSON, "t", time_format=time_format, readings=(ReadingAt("a", "a"),))
    content = json.dumps({"t": written, "a": 1}).encode()
    assert read(described, content, f"run {written}.json").account.lines <= 1
    named = replace(described, time=FILE_NAME)
    assert read(named, content, f"run {written}.json").account.readings <= 1


def test_a_hostile_expression_cannot_hang_the_reading():
    hostile = LogDescription(
        "*", Form.LINES, "time", line=r"(?P<time>(a|aa)+)$", events=(EventPattern("x", "(x+x+)+y"),)
    )
    kept = read(hostile, (b"a" * 3000 + b"b\n") * 200)
    # The bound is the number of tries, 20 × 0.05 s; without it, one line takes longer than the universe has.
    assert kept.account.first_unmatched.why == "the expression took longer than 0.05 s"
    assert kept.account.lines == 20
    assert kept.account.problems == [f"too slow, given up at line 20: {hostile.line}"]


def test_a_hostile_event_is_given_up_and_the_readings_go_on():
    events = (EventPattern("x", "(x+x+)+y"),)
    described = LogDescription("*", Form.TABLE, 1, zone="UTC", readings=(ReadingAt("v", 2),), events=events)
    kept = read(described, (b"20:00:00;1;" + b"x" * 3000 + b"\n") * 40)
    assert len(kept.values("v")) == 40
    assert kept.account.problems == ["too slow, given up: (x+x+)+y"]


def test_an_expression_that_stays_below_the_limit_and_takes_long_in_all_is_given_up(monkeypatch):
    monkeypatch.setattr(expressions, "LONGEST_S", 0.0)
    monkeypatch.setattr(expressions, "SLOW_S", 3600.0)
    patient = Expression("quiet")
    assert patient.search("all quiet") is not None
    assert not patient.given_up
    monkeypatch.setattr(expressions, "SLOW_S", 0.0)
    hasty = Expression("quiet")
    assert hasty.search("all quiet") is not None
    with pytest.raises(TooSlow):
        hasty.search("all quiet")


def test_a_clock_that_goes_back_is_counted():
    rows = b"20:00:00 a\n20:10:00 a\n20:01:00 a\n20:00:59 a\n"
    account = read(NOTES, rows).account
    assert (account.jumps, account.first_jump_line, account.taken) == (1, 3, 4)


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf"])
def test_an_empty_log_gives_nothing_and_no_problem(content):
    account = read(NOTES, content).account
    assert (account.taken, account.unmatched, account.problems) == (0, 0, [])


def test_of_two_million_lines_those_that_fit_are_read_and_the_rest_counted():
    account = read(NOTES, b"?\n" * 1_999_999 + b"20:00:00 all quiet air 4\n").account
    assert (account.lines, account.unmatched, account.readings) == (2_000_000, 1_999_999, 1)
    assert account.first_unmatched.line == 1


def test_a_file_that_is_no_text_is_named():
    assert read(NOTES, bytes(range(1, 32)) * 200).account.problems == ["it holds no text"]


def test_a_line_too_long_is_counted_and_the_next_one_read():
    kept = read(NOTES, b"20:00:00 " + b"x" * LONGEST_LINE + b"\n20:01:00 x air 4\n")
    assert kept.values("air temperature") == [4]
    assert kept.account.first_unmatched.why == "longer than 65536 characters"


@given(st.binary(max_size=2000))
def test_whatever_a_file_holds_every_form_comes_to_an_end(content):
    for description in (MAST, NOTES, FOCUS):
        account = read(description, content).account
        assert account.readings >= 0


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"line": "(?P<time>x"}, "line"),
        ({"line": "(?P<when>x) (?P<air>x)"}, "line"),
        ({"time_format": "%Y-%m-%d"}, "time_format"),
        ({"time_format": "%Q %H"}, "time_format"),
        ({"zone": "Mars/Olympus"}, "zone"),
        ({"readings": (ReadingAt("a", "air", "degrees of frost"),)}, "unit"),
        ({"events": (EventPattern("lost", "(lost"),)}, 'events."lost"'),
        ({"form": Form.JSON, "time": "a..[x]"}, "at"),
    ],
)
def test_a_description_that_cannot_be_meant_says_which_key(change, key):
    with pytest.raises(BadDescription) as bad:
        LogReader(replace(NOTES, **change))
    assert bad.value.key == key


def test_the_digest_changes_with_anything_in_the_description():
    digests = {
        NOTES.digest(),
        replace(NOTES, zone="Europe/London").digest(),
        replace(NOTES, events=()).digest(),
        replace(NOTES, readings=(ReadingAt("air temperature", "air", "deg_F"),)).digest(),
    }
    assert len(digests) == 4
