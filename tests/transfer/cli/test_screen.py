"""What an output can show."""

from __future__ import annotations

import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.cli.screen import Screen, columns_of, first_columns, last_columns, screen_of

WIDE = Screen(None, "utf-8")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("M 51", "M 51"),
        ("Hα", "Hα"),
        ("M\x1b[31m 51", r"M\x1b[31m 51"),
        ("M\r51", r"M\r51"),
        ("M\n51", r"M\n51"),
        ("\x9b2J", r"\x9b2J"),
        ("M \u202e15", r"M \u202e15"),
        ("a\x00\x7f", r"a\x00\x7f"),
        ("\udcff", r"\udcff"),
    ],
)
def test_what_could_act_on_a_terminal_is_spelt_out(text: str, shown: str) -> None:
    assert WIDE.clean(text) == shown


@given(st.text())
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    shown = WIDE.clean(text)
    assert not {unicodedata.category(character) for character in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [("ascii", r"H\u03b1 47 deg 12' ~"), ("latin-1", r"H\u03b1 47°12' ~"), ("cp1253", "Hα 47°12' …")],
)
def test_what_an_encoding_lacks_is_written_plainer(encoding: str, shown: str) -> None:
    assert Screen(None, encoding).clean("Hα 47°12′ …") == shown


def test_degrees_read_right_where_there_is_no_sign_for_them() -> None:
    ascii_only = Screen(None, "ascii")
    assert (
        ascii_only.clean("from 0 to 180°, at −10 °C, 18° down")
        == "from 0 to 180 deg, at -10 degC, 18 deg down"
    )


@given(st.text(), st.sampled_from(["ascii", "latin-1", "cp437", "shift_jis", "utf-8"]))
def test_whatever_is_shown_can_be_written(text: str, encoding: str) -> None:
    Screen(None, encoding).clean(text).encode(encoding)


@pytest.mark.parametrize(
    ("text", "columns"),
    [("M 51", 4), ("Hα", 2), ("馬頭星雲", 8), ("ﾊﾟ", 2), ("e\u0301toile", 6), ("", 0), ("−10 °C", 6)],
)
def test_a_text_takes_the_columns_that_a_terminal_gives_it(text: str, columns: int) -> None:
    assert columns_of(text) == columns


@given(st.text(st.sampled_from("ab馬e\u0301 星α")), st.integers(0, 12))
def test_a_cut_text_fits_and_one_more_would_not(text: str, width: int) -> None:
    first, last = first_columns(text, width), last_columns(text, width)
    assert text.startswith(first)
    assert text.endswith(last)
    for part in (first, last):
        assert columns_of(part) <= width
        assert part == text or columns_of(part) >= width - 1


def test_a_mark_is_not_left_without_the_letter_below_it() -> None:
    assert last_columns("ae\u0301x", 1) == "x"


class Stream(io.StringIO):
    encoding = "latin-1"


def test_columns_are_what_a_person_asks_for() -> None:
    assert screen_of(Stream(), {"COLUMNS": "80"}) == Screen(80, "latin-1")


@pytest.mark.parametrize(
    "asked", [{}, {"COLUMNS": ""}, {"COLUMNS": "0"}, {"COLUMNS": "wide"}, {"COLUMNS": "-5"}]
)
def test_a_pipe_has_no_width(asked: dict[str, str]) -> None:
    assert screen_of(Stream(), asked).width is None
