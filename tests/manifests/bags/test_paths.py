from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.paths import composed, decode_path, encode_path, other_spellings, shown


def test_line_breaks_and_percent_signs_are_encoded_and_nothing_else() -> None:
    assert encode_path("data/100% of\r\nit é~.fits") == "data/100%25 of%0D%0Ait é~.fits"


@given(st.text())
def test_every_path_survives_its_spelling_in_a_manifest(path: str) -> None:
    spelled = encode_path(path)
    assert "\n" not in spelled
    assert "\r" not in spelled
    assert decode_path(spelled, (1, 0)) == path


def test_only_the_three_codes_of_the_standard_are_decoded() -> None:
    assert decode_path("data/%41%2e%2E%2F%0a%25", (1, 0)) == "data/%41%2e%2E%2F\n%"


def test_before_version_1_a_percent_sign_stands_for_itself() -> None:
    assert decode_path("data/a%25b%0D", (0, 97)) == "data/a%25b\r"


def test_what_a_writer_may_have_meant_includes_what_is_written() -> None:
    assert set(other_spellings("a%25%0A")) == {"a%\n", "a%25\n", "a%25%0A"}


def test_a_decomposed_name_is_composed() -> None:
    assert composed("e\u0301") == "é"


def test_a_hostile_text_cannot_drive_the_terminal_it_is_shown_on() -> None:
    assert shown("a\x1b[2J\n") == "a\\x1b[2J\\n"
    assert len(shown("x" * 10_000)) < 300
    assert shown("\udcff") == "\\udcff"
