import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.filters import COLOUR_CAMERA, NO_FILTER, NOT_GIVEN, FilterNames


def name_of(written: str | None) -> str:
    return FilterNames().name(written).canonical


@pytest.mark.parametrize(
    ("name", "spellings"),
    [
        ("L", ["L", "Lum", "Luminance", "lum filter", "LUMINANCE"]),
        ("R", ["R", "Red", "red filter"]),
        ("G", ["G", "Green"]),
        ("B", ["B", "Blue"]),
        (
            "Ha",
            ["Ha", "H-alpha", "Hα", "H_Alpha", "Ha 3nm", "H-Alpha 7nm", "Ha7", "3 nm Ha", "Ha 6.5nm", "H"],
        ),
        ("Hb", ["Hb", "H-beta", "Hβ 5nm"]),
        ("OIII", ["OIII", "O3", "O-III", "[OIII]", "O III", "oiii 6.5 nm", "O33nm", "O"]),
        ("SII", ["SII", "S2", "[S II]", "S-II 3nm", "sulphur II", "S"]),
        ("NII", ["NII", "N2", "[N II]"]),
        ("clear", ["Clear", "C"]),
        ("UV-IR cut", ["UV/IR cut", "UVIR", "IR/UV Cut", "uv-ir block"]),
        ("Ha-OIII", ["Ha-OIII", "OIII + Ha", "HaOIII 7nm", "Hα/O3"]),
        ("Ha-OIII-SII", ["SII-OIII-Ha", "Ha/SII/OIII", "OIII SII Ha"]),
        ("Hb-OIII", ["OIII-Hb", "Hβ + [O III]"]),
        ("dual narrowband", ["duo narrowband", "Dual Band", "dual-NB"]),
        ("tri narrowband", ["tri-band", "Triple Narrowband"]),
        ("Sloan g", ["g'", "g′", "Sloan g", "SDSS g'", "gp"]),
        ("Sloan z", ["z'", "sdss_z", "z", "zs"]),
        (NO_FILTER, ["None", "No filter", "empty", "-", "n/a", "Open"]),
    ],
)
def test_spellings_of_one_filter_are_one_filter(name: str, spellings: list[str]) -> None:
    names = FilterNames()
    given = {names.name(spelling) for spelling in spellings}
    assert {one.canonical for one in given} == {name}
    assert all(one.recognised for one in given)


def test_blue_and_red_glass_is_not_the_photometric_system() -> None:
    assert name_of("B") == "B"
    assert name_of("Bessell B") == name_of("B (Johnson)") == "photometric B"
    assert name_of("Rc") == name_of("Cousins R") == "photometric R"
    assert name_of("V") == name_of("Johnson V") == "photometric V"
    assert name_of("I") == "photometric I"
    assert name_of("U") == "photometric U"


def test_a_clear_glass_is_not_a_luminance_filter() -> None:
    assert name_of("Clear") != name_of("Luminance")


def test_sodium_is_not_taken_for_not_applicable() -> None:
    assert name_of("Na") == "Na"


def test_a_colour_camera_without_a_filter_is_said_so() -> None:
    names = FilterNames()
    assert names.name(None, colour=True).canonical == COLOUR_CAMERA
    assert names.name("None", colour=True).canonical == COLOUR_CAMERA
    assert names.name("Ha-OIII", colour=True).canonical == "Ha-OIII"


def test_a_header_that_says_nothing_is_not_a_header_that_says_no_filter() -> None:
    assert name_of(None) == name_of("  ") == NOT_GIVEN
    assert not FilterNames().name(None).recognised
    assert not FilterNames().name(NOT_GIVEN).recognised
    assert name_of("No Filter") == NO_FILTER


def test_an_unknown_filter_is_kept_as_written_and_its_first_spelling_stays() -> None:
    names = FilterNames(known=["Moon Grey"])
    assert not names.name("moon  grey").recognised
    assert names.name("moon  grey").canonical == "Moon Grey"
    assert names.name("Comet C2").canonical == names.name("COMET C2").canonical == "Comet C2"


def test_a_width_alone_is_no_filter() -> None:
    assert name_of("656nm") == "656nm"
    assert name_of("narrowband") == "narrowband"


def test_the_users_table_wins_and_stands_for_every_spelling() -> None:
    names = FilterNames({"Ha": "H-alpha", "clear": "L"})
    assert names.name("Hα 7nm").canonical == "H-alpha"
    assert names.name("C").canonical == "L"
    assert names.name("Lum").canonical == "L"


def test_the_users_table_can_keep_one_bandwidth_apart() -> None:
    names = FilterNames({"Ha 3nm": "Ha narrow"})
    assert names.name("ha 3NM").canonical == "Ha narrow"
    assert names.name("Ha 7nm").canonical == "Ha"


def test_the_users_name_for_a_missing_filter_is_used() -> None:
    assert FilterNames({"colour camera": "OSC"}).name(None, colour=True).canonical == "OSC"


@given(st.text(), st.booleans())
def test_a_filters_name_names_itself(written: str, colour: bool) -> None:
    names = FilterNames()
    canonical = names.name(written, colour=colour).canonical
    assert canonical
    assert names.name(canonical, colour=colour).canonical == canonical or canonical == NO_FILTER
    assert not any(ord(character) < 32 for character in canonical)
