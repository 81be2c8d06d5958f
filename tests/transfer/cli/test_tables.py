"""Tables that fit: what gives way, in which order, and what is never lost."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from transfer.cli.screen import Screen, columns_of
from transfer.cli.tables import Cell, Column, Narrow, table

NAME = Column("name", narrow=Narrow.WRAPS, least=6)
COUNT = Column("count", right=True)
FILE = Column("file", narrow=Narrow.LOSES_ITS_START, least=6)
CAMERA = Column("camera", narrow=Narrow.LOSES_ITS_END, least=6)


def lines(
    columns: Sequence[Column], *rows: Sequence[Cell], width: int | None = None, encoding: str = "utf-8"
) -> list[str]:
    return list(table(columns, rows, Screen(width, encoding)))


def test_columns_line_up_under_their_headings() -> None:
    assert lines([NAME, COUNT], ["M 51", "7"], ["NGC 4565", "1,234"]) == [
        "name      count",
        "M 51          7",
        "NGC 4565  1,234",
    ]


def test_what_is_not_known_is_a_dash_and_what_is_said_above_is_left_blank() -> None:
    assert lines([NAME, COUNT], [None, None], ["", "1"])[1:] == ["-         -", "          1"]


def test_wide_characters_line_up() -> None:
    found = lines([NAME, COUNT], ["馬頭星雲", "7"], ["Hα", "12"])
    assert [columns_of(line) for line in found] == [15, 15, 15]


def test_control_characters_are_spelt_out_before_they_are_measured() -> None:
    assert lines([NAME, COUNT], ["M\x1b[2J", "7"]) == ["name      count", r"M\x1b[2J      7"]


def test_without_a_width_nothing_is_cut() -> None:
    row = ["a name of several words " * 10, "7", "/a/long/path" * 30, "camera" * 20]
    assert "  ".join(row[2:]) in lines([NAME, COUNT, FILE, CAMERA], row)[1]


def test_a_path_keeps_its_end_and_a_camera_its_start() -> None:
    row = ["2026-03-14/Ha/M 51 003.fits", "Lantern 26M, rear"]
    assert lines([FILE, CAMERA], row, width=32)[1] == "…/M 51 003.fits  Lantern 26M, r…"


def test_what_wraps_loses_nothing() -> None:
    filters = Column("by filter", narrow=Narrow.WRAPS, least=9)
    found = lines(
        [NAME, filters, COUNT], ["The long way round", ["Ha 1.0", "L 12.5", "OIII 0.3"], "7"], width=28
    )
    assert found == [
        "name      by filter    count",
        "The long  Ha 1.0           7",
        "way       L 12.5",
        "round     OIII 0.3",
    ]


def test_a_word_longer_than_its_column_goes_on_below() -> None:
    assert "".join(lines([NAME], ["abcdefghijklmnop"], width=6)[1:]) == "abcdefghijklmnop"


def test_the_most_expendable_column_goes_first() -> None:
    first, second = Column("expendable", expendable=2), Column("dispensable", expendable=1)
    columns, row = [NAME, first, second, COUNT], ["M 51", "x", "y", "7"]
    assert lines(columns, row, width=38)[0] == "name  expendable  dispensable  count"
    assert lines(columns, row, width=30)[0] == "name  dispensable  count"
    assert lines(columns, row, width=20)[0] == "name  count"
    assert lines(columns, row, width=3)[0] == "name  count"


def test_a_column_that_says_nothing_is_there_only_where_it_says_something() -> None:
    rare = Column("absent", rare=True)
    assert lines([COUNT, rare], ["7", None], ["8", ""])[0] == "count"
    assert lines([COUNT, rare], ["7", None], ["8", "1"])[0] == "count  absent"


def test_an_output_of_few_characters_is_cut_with_one_that_it_has() -> None:
    assert lines([CAMERA], ["Lantern 26M"], width=8, encoding="ascii")[1] == "Lantern~"


def test_no_rows_are_no_table() -> None:
    assert lines([NAME, COUNT]) == []


def test_a_list_of_any_length_is_laid_out_in_parts() -> None:
    found = lines([COUNT], *([str(number)] for number in range(10_001)))
    assert found.count("count") == 2
    assert found[-1] == "10000"


WORDS = st.text(st.sampled_from("ab 馬e\u0301/.…\x1b"), max_size=30)


@given(st.lists(st.tuples(WORDS, WORDS, WORDS), min_size=1, max_size=5), st.integers(26, 80))
def test_a_table_fits_whatever_it_holds(rows: list[tuple[str, str, str]], width: int) -> None:
    found = lines([NAME, FILE, CAMERA], *rows, width=width)
    assert max(map(columns_of, found)) <= width
