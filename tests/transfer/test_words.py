from __future__ import annotations

import pytest

from transfer.words import counted, hours_told, size_told


@pytest.mark.parametrize(("number", "text"), [(0, "0 files"), (1, "1 file"), (1204, "1,204 files")])
def test_one_of_a_thing_is_not_several(number: int, text: str) -> None:
    assert counted(number, "file") == text


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [(0, "0 bytes"), (1, "1 byte"), (999, "999 bytes"), (1000, "1.0 kB"), (4_200_000, "4.2 MB")],
)
def test_a_size_is_told_in_lower_case_and_decimal_units(size_bytes: int, text: str) -> None:
    assert size_told(size_bytes) == text


@pytest.mark.parametrize(
    ("hours", "text"), [(0.0, "0.0"), (0.04, "<0.1"), (0.05, "0.1"), (1234.5, "1,234.5")]
)
def test_a_little_is_not_nothing(hours: float, text: str) -> None:
    assert hours_told(hours) == text
