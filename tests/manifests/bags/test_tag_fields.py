import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.declared import Faults
from manifests.bags.tag_fields import read_fields, written_field
from manifests.bags.tag_lines import Line


def read(text: str) -> tuple[list[tuple[str, str]], list[int]]:
    faults = Faults("bag-info.txt")
    fields = read_fields((Line(n, line) for n, line in enumerate(text.split("\n"), 1)), faults)
    return [(field.label, field.value) for field in fields], [fault.line for fault in faults.all()]


def test_labels_repeat_and_keep_their_order() -> None:
    assert read("B: 1\nA:2\nB : 3") == ([("B", "1"), ("A", "2"), ("B", "3")], [])


def test_a_folded_value_is_joined() -> None:
    assert read("A: one\n two\n\tthree: 3\nB: x") == ([("A", "one two three: 3"), ("B", "x")], [])


def test_a_line_that_says_nothing_is_a_fault_with_its_number() -> None:
    assert read("A: 1\nnothing\n: x\nB: 2") == ([("A", "1"), ("B", "2")], [2, 3])


def test_a_continuation_of_nothing_is_a_fault() -> None:
    assert read("  A: 1") == ([], [1])


def test_a_file_too_large_for_memory_is_not_read_whole() -> None:
    faults = Faults("bag-info.txt")
    lines = (Line(number, "A: " + "x" * 100_000) for number in range(1, 10_000))
    fields = read_fields(lines, faults)
    assert 100 < len(fields) < 200
    assert "nothing from here on was read" in faults.all()[0].reason


@given(st.text(), st.text("a\r\n\v\f\x1c\x85\u2028\u2029: "))
def test_no_value_smuggles_in_a_label_or_a_line(value: str, other: str) -> None:
    text = written_field("Contact-Name", value) + written_field("External-Description", f"{value}\n{other}")
    assert len(text.splitlines()) == text.count("\n")  # also to readers that end lines at U+2028 and the like
    fields, faults = read(text.removesuffix("\n"))
    assert [label for label, _ in fields] == ["Contact-Name", "External-Description"]
    assert faults == []


@given(st.lists(st.text("abc:é", min_size=1), max_size=60))
def test_a_value_of_words_survives_folding(words: list[str]) -> None:
    fields, _ = read(written_field("A", " ".join(words)).removesuffix("\n"))
    assert fields == [("A", " ".join(words))]


def test_a_long_value_is_folded_at_79_characters() -> None:
    lines = written_field("External-Description", "word " * 60).splitlines()
    assert len(lines) > 1
    assert all(len(line) <= 79 for line in lines)
    assert all(line.startswith(" ") for line in lines[1:])


@pytest.mark.parametrize("label", ["", "A:B", " A", "A ", "A\nB", "A\u2028B"])
def test_what_cannot_be_a_label_is_refused(label: str) -> None:
    with pytest.raises(ValueError, match="label"):
        written_field(label, "x")


def test_a_label_longer_than_a_line_stays_on_one() -> None:
    assert written_field("A " * 50 + "B", "x y").splitlines()[0].startswith("A " * 50 + "B: ")
