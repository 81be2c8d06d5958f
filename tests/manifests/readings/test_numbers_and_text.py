"""Numbers and lines as all kinds of programs write them."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.numbers import number_in
from manifests.readings.text import NotText, log_lines


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("12.5", 12.5),
        ("12,5", 12.5),
        ("−2,8 °C", -2.8),
        ("-0.5°C", -0.5),
        (" 77 % ", 77.0),
        ("1013 hPa", 1013.0),
        (",5", 0.5),
        ("1e3", 1000.0),
        ("1,5e-2", 0.015),
        (7, 7.0),
        ("nan", None),
        ("inf", None),
        (float("inf"), None),
        (10**400, None),
        (True, None),
        (None, None),
        ("", None),
        ("--", None),
        ("1_000", None),
        ("1,234.5", None),
        ("12:30", None),
        ("2026-03-14", None),
        ([1], None),
    ],
)
def test_a_number_is_read_beyond_doubt_or_not_at_all(written, value):
    assert number_in(written) == value


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_with_a_decimal_comma_is_the_same_number(value):
    assert number_in(repr(value).replace(".", ",")) == value


def texts(content: bytes) -> list[str | None]:
    return [line.text for line in log_lines(io.BytesIO(content))]


@pytest.mark.parametrize(
    "content",
    [
        "a °C\nb Ω\n".encode(),
        "\ufeffa °C\r\nb Ω\r\n".encode(),
        "\ufeffa °C\r\nb Ω\r\n".encode("utf-16-le"),
        "\ufeffa °C\nb Ω".encode("utf-16-be"),
        ("a °C\nb Ω\n" + "plain\n" * 100).encode("utf-16-le"),
        ("a °C\nb Ω\n" + "plain\n" * 100).encode("utf-16-be"),
    ],
)
def test_unicode_is_read_with_and_without_a_mark(content):
    assert texts(content)[:2] == ["a °C", "b Ω"]


def test_a_line_that_is_not_utf_8_is_read_as_windows_1252():
    assert texts("one\n12 °C\n".encode("cp1252") + "Ω\n".encode()) == ["one", "12 °C", "Ω"]


def test_what_windows_1252_has_where_latin_1_has_controls_is_read():
    assert texts(b"20:00 lost \x96 12,50 \x80\n") == ["20:00 lost \N{EN DASH} 12,50 \N{EURO SIGN}"]


def test_all_line_ends_are_ends():
    assert texts(b"a\rb\r\nc\nd") == ["a", "b", "c", "d"]


def test_what_a_power_cut_leaves_behind_is_taken_out():
    assert texts(b"20:00 fine\n" * 50 + b"20:01 fi" + b"\0" * 20)[-1] == "20:01 fi"


def test_only_the_last_line_without_an_end_is_cut():
    assert [line.cut for line in log_lines(io.BytesIO(b"a\nb\nc"))] == [False, False, True]
    assert [line.cut for line in log_lines(io.BytesIO(b"a\nb\n"))] == [False, False]


def test_a_picture_is_no_text():
    with pytest.raises(NotText):
        texts(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8)


def test_the_file_stays_open():
    file = io.BytesIO(b"a\n")
    list(log_lines(file))
    assert file.seek(0) == 0
