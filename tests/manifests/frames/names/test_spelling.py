from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.spelling import LONGEST_NAME, OwnNames, Reading, Spellings, fold, tidy


def read_plainly(text: str) -> Reading:
    return Reading(text, False, "")


def test_a_name_loses_control_characters_and_extra_spaces() -> None:
    assert tidy("  Heart\t \x00nebula\n") == "Heart nebula"
    assert tidy("Heart_nebula") == "Heart nebula"


def test_a_name_written_right_to_left_in_disguise_loses_the_disguise() -> None:
    assert tidy("M 31\u202egpj.exe") == "M 31gpj.exe"


def test_an_accent_is_one_name_however_it_is_composed() -> None:
    assert tidy("Ne\u0301bula") == tidy("N\u00e9bula")


def test_nothing_written_gives_an_empty_name() -> None:
    assert tidy(None) == tidy("") == tidy(" \x00\x1f\u200b ") == ""


def test_two_long_names_that_begin_alike_stay_two() -> None:
    first, second = tidy("x" * 10_000), tidy("x" * 9_999 + "y")
    assert first != second
    assert len(first) <= LONGEST_NAME
    assert tidy(first) == first


def test_case_width_and_spaces_make_no_other_name_but_a_sign_does() -> None:
    assert fold("Heart Nebula") == fold("heart  NEBULA") == fold("Ｈeart nebula")
    assert fold("J0133+3039") != fold("J0133-3039")


def test_the_first_spelling_of_a_name_is_kept() -> None:
    spellings = Spellings(["Heart Nebula"])
    assert spellings.first("heart nebula") == "Heart Nebula"
    assert spellings.first("Soul nebula") == "Soul nebula"
    assert spellings.first("SOUL NEBULA") == "Soul nebula"


def test_a_name_that_the_users_table_gives_is_itself_known_in_other_spellings() -> None:
    own = OwnNames({"heart": "The Heart"}, read_plainly)
    assert own.for_written("the heart") == "The Heart"
    assert own.for_written("HEART") == "The Heart"
    assert own.for_written("soul") is None


def test_rows_of_the_users_table_that_lead_on_are_followed_to_the_end() -> None:
    own = OwnNames({"a": "b", "b": "c"}, read_plainly)
    assert own.for_written("A") == own.for_written("B") == own.for_written("C") == "c"


def test_rows_of_the_users_table_that_lead_in_a_circle_end() -> None:
    own = OwnNames({"a": "b", "b": "a"}, read_plainly)
    assert {own.for_written("a"), own.for_written("b")} == {"a", "b"}


def test_empty_rows_of_the_users_table_name_nothing() -> None:
    own = OwnNames({"": "x", "y": " "}, read_plainly)
    assert own.for_written("") is None
    assert own.for_written("y") is None


@given(st.text())
def test_any_text_becomes_a_short_name_without_control_characters(written: str) -> None:
    name = tidy(written)
    assert tidy(name) == name
    assert len(name) <= LONGEST_NAME
    assert name == " ".join(name.split())
    assert name.isprintable() or not any(ord(character) < 32 or character == "\x7f" for character in name)
