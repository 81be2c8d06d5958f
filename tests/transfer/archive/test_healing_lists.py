"""Two versions of a file of lines give together what has the digest, or nothing."""

from __future__ import annotations

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from transfer.archive.healing_lists import as_pinned

LINE = st.binary(min_size=1, max_size=12).map(lambda line: line.replace(b"\n", b"-") + b"\n")
LINES = st.lists(LINE, unique=True)  # as entries are, by their paths, and statements, by their times


def digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@given(LINES.filter(bool), st.data())
def test_a_changed_line_comes_from_the_copy_whatever_else_the_copy_has(
    lines: list[bytes], data: st.DataObject
):
    wanted = b"".join(lines)
    own, other = list(lines), list(lines)
    changed = data.draw(st.integers(0, len(lines) - 1))
    own[changed] = b"damaged " + own[changed]
    for number in data.draw(st.sets(st.integers(0, len(lines) - 1), max_size=4)) - {changed}:
        other[number] = b"other " + other[number]
    assert as_pinned(b"".join(own), b"".join(other), digest(wanted)) == wanted


@given(LINES, LINES, LINES)
def test_what_comes_out_has_the_digest_or_nothing_does(
    own: list[bytes], other: list[bytes], wanted: list[bytes]
):
    found = as_pinned(b"".join(own), b"".join(other), digest(b"".join(wanted)))
    assert found in (None, b"".join(wanted))


def test_a_file_that_is_gone_or_cut_off_is_what_the_copy_has():
    assert as_pinned(b"", b"one\ntwo\n", digest(b"one\ntwo\n")) == b"one\ntwo\n"
    assert as_pinned(b"one\ntw", b"one\ntwo\n", digest(b"one\ntwo\n")) == b"one\ntwo\n"
