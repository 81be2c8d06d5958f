import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.spelling import tidy
from manifests.frames.names.trimming import names_nothing, trimmed


@pytest.mark.parametrize(
    "text", ["Unknown", "N/A", "n.a.", "no name", "Light", "Flat Field", "Object", "??", "–", ""]
)
def test_words_for_nothing_are_known_in_any_case(text: str) -> None:
    assert names_nothing(text)


@pytest.mark.parametrize(
    "text", ["M 31", "Lightning field", "Unknown pleasures", "Nonet", "7", "Object 5", "光"]
)
def test_a_name_is_not_taken_for_nothing(text: str) -> None:
    assert not names_nothing(text)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("M 31 2026-03-14", "M 31"),
        ("M 31 14.03.2026", "M 31"),
        ("M 31 (2026/03/14)", "M 31"),
        ("M 31 20260314", "M 31"),
        ("M 31 2026-03-14 21:05:00", "M 31"),
        ("M 31 12 x 300s", "M 31"),
        ("M 31 5min", "M 31"),
        ("M 31 0.5s", "M 31"),
        ("Target name: M 31", "M 31"),
        ("TargetName:M 31", "M 31"),
        ("Object = M 31", "M 31"),
        ("A target: M 31", "A target: M 31"),
        ("NGC 2026", "NGC 2026"),
        ("NGC 300s", "NGC 300s"),
        ("NGC 300 300s", "NGC 300"),
        ("Target: Object: M 31", "M 31"),
        ("NGC 7331", "NGC 7331"),
        ("Field 2026-13-14", "Field 2026-13-14"),
        ("Star 7 s", "Star 7 s"),
        ("Targeted field", "Targeted field"),
        ("2026-03-14", ""),
    ],
)
def test_what_is_no_part_of_a_name_is_taken_off(text: str, name: str) -> None:
    assert trimmed(text) == name


@given(st.text(alphabet="M31 Target:2026-0314x.s()") | st.text())
def test_what_was_trimmed_is_not_trimmed_again_at_its_end(written: str) -> None:
    once = trimmed(tidy(written))
    assert once == once.rstrip(" ,;:([-") or once == tidy(written)
    assert len(once) <= len(tidy(written))
