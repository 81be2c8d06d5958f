"""What a person says: one line a statement, nothing lost for a line that is broken."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.paths import outlives_lists, said_in
from manifests.bags.statements import (
    LONGEST_STATEMENT,
    Statement,
    read_statements,
    statement_line,
    statements_of,
    with_statement,
)

NOON = datetime(2026, 3, 15, 12, tzinfo=UTC)
FACTS = st.dictionaries(
    st.text().filter(lambda key: key != "said_utc"), st.none() | st.integers() | st.text()
)


@given(FACTS)
def test_what_was_said_is_read_as_it_was_said(facts):
    said = Statement("verdict", NOON, facts)
    found = statements_of([statement_line(said)], "verdict")
    assert found.statements == (said,)
    assert found.malformed == ()


def test_a_moment_in_any_zone_is_kept_in_utc():
    said = Statement("verdict", NOON.astimezone(timezone(timedelta(hours=-7))), {})
    assert b"2026-03-15T12:00:00.000+00:00" in statement_line(said)


def test_a_line_that_was_cut_off_is_ended_and_named_and_no_other_is_lost():
    first, second = (Statement("verdict", NOON, {"number": number}) for number in (1, 2))
    content = with_statement(statement_line(first) + b'{"said_utc": "20', second)
    found = statements_of(content.splitlines(keepends=True), "verdict")
    assert found.statements == (first, second)
    assert [(one.line, one.path) for one in found.malformed] == [(2, "nightferry/said-verdict.jsonl")]


@given(st.lists(st.binary(max_size=80)))
def test_lines_of_anything_are_statements_or_named(lines):
    found = statements_of(lines, "verdict")
    assert len(found.statements) + len(found.malformed) == len(lines)


@pytest.mark.parametrize(
    "line",
    [
        b'{"said_utc": "2026-03-15T12:00:00"}\n',
        b'{"verdict": "good"}\n',
        b'["said_utc"]\n',
        b'{"said_utc": 5}\n',
        b"[" * 100_000 + b"\n",
        b"0\n",
    ],
)
def test_a_line_without_a_time_in_a_zone_is_no_statement(line):
    assert statements_of([line], "verdict").statements == ()


def test_what_no_reader_would_take_is_not_written():
    with pytest.raises(ValueError, match="not a kind"):
        statement_line(Statement("../verdict", NOON, {}))
    with pytest.raises(ValueError, match="no more than"):
        statement_line(Statement("verdict", NOON, {"because": "x" * LONGEST_STATEMENT}))
    with pytest.raises(ValueError, match="Out of range"):
        statement_line(Statement("verdict", NOON, {"because": float("nan")}))


def test_a_bag_without_statements_says_nothing(tmp_path: Path):
    assert read_statements(tmp_path, "verdict").statements == ()


def test_only_what_no_list_brings_back_outlives_the_lists():
    stay = ("nightferry/acknowledgement-0b44b3f1-6a9f-4d55-8a61-1c5b2b1f7a10.json", said_in("verdict"))
    go = ("nightferry/entries.jsonl", "nightferry/said-.jsonl", "data/said-verdict.jsonl", "said-x.jsonl")
    assert list(map(outlives_lists, (*stay, *go))) == [True, True, False, False, False, False]


@pytest.mark.parametrize("said", ["9999-12-31T23:59:59-11:00", "0001-01-01T00:00:00+13:00"])
def test_a_time_that_no_zone_can_take_is_no_statement(said):
    found = statements_of([f'{{"said_utc": "{said}"}}\n'.encode()], "verdict")
    assert (found.statements, len(found.malformed)) == ((), 1)


def test_a_line_that_is_too_long_is_no_statement():
    line = b'{"said_utc": "2026-03-15T12:00:00+00:00", "x": "%s"}\n' % (b"x" * LONGEST_STATEMENT)
    assert statements_of([line], "verdict").statements == ()
