"""Proofs kept in a bag: what is written is read again, the last one holds, and what is none is left out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.kept_proofs import PROVEN, KeptProof, kept_proofs, proof_statements
from manifests.bags.statements import LONGEST_STATEMENT, Statement, statement_line, statements_of

NOON = datetime(2026, 3, 15, 12, tzinfo=UTC)
moments = st.integers(0, 10**6).map(lambda second: NOON + timedelta(seconds=second))
proofs = st.builds(KeptProof, st.integers(0, 2**60), st.integers(-(2**62), 2**62), moments, st.booleans())
paths = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)


@given(st.dictionaries(paths, proofs))
def test_what_is_kept_is_read_again(kept: dict[str, KeptProof]):
    lines = [statement_line(statement) for statement in proof_statements(kept)]
    found = statements_of(lines, PROVEN)
    assert found.malformed == ()
    assert kept_proofs(found.statements) == kept


def test_many_files_of_one_reading_are_in_few_lines_and_no_line_is_too_long():
    kept = {f"data/{'n' * 200}/{number}.fits": KeptProof(number, 5, NOON, True) for number in range(2000)}
    lines = [statement_line(statement) for statement in proof_statements(kept)]
    assert max(map(len, lines)) < LONGEST_STATEMENT
    assert 2 <= len(lines) < 20
    assert kept_proofs(statements_of(lines, PROVEN).statements) == kept


def test_a_path_as_long_as_a_statement_takes_makes_one_statement():
    kept = {"p" * 50_000: KeptProof(1, 2, NOON, True)}
    (statement,) = proof_statements(kept)
    assert kept_proofs([statement]) == kept


def test_of_two_proofs_of_one_file_the_later_line_holds():
    earlier, later = KeptProof(3, 5, NOON, True), KeptProof(4, 6, NOON + timedelta(days=1), False)
    both = [*proof_statements({"data/a": earlier}), *proof_statements({"data/a": later})]
    assert kept_proofs(both) == {"data/a": later}


@pytest.mark.parametrize("stamp", [None, 5, [], [1], [1, 2, 3], ["1", 2], [1, 2.0], [True, 2], {"a": 1}])
def test_what_is_no_proof_is_left_out(stamp: object):
    facts = {"from_medium": True, "files": {"data/a": stamp, "data/b": [1, 2]}}
    assert list(kept_proofs([Statement(PROVEN, NOON, facts)])) == ["data/b"]


@pytest.mark.parametrize("facts", [{}, {"files": 5}, {"files": ["data/a"]}])
def test_a_statement_without_files_proves_nothing(facts: dict[str, object]):
    assert kept_proofs([Statement(PROVEN, NOON, facts)]) == {}
