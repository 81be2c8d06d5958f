import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.filters import (
    COLOUR_CAMERA,
    NO_FILTER,
    NOT_GIVEN,
    FilterNames,
    filter_width_nm,
    says_nothing,
)


def name_of(written: str | None) -> str:
    return FilterNames().name(written).canonical


@pytest.mark.parametrize(
    ("name", "spellings"),
    [
        ("L", ["L", "Lum", "Luminance", "lum filter", "LUMINANCE"]),
        ("R", ["R", "red 640nm", "Red", "red filter", "Rot", "ROT", "rouge"]),
        ("G", ["G", "Green", "Grün", "GRÜN", "Gru\u0308n", "Gruen"]),
        ("B", ["B", "Blue", "Blau", "bleu"]),
        (
            "Ha",
            ["Ha", "H-alpha", "Hα", "H_Alpha", "Ha 3nm", "H-Alpha 7nm", "Ha7", "3 nm Ha", "Ha 6.5nm", "H"],
        ),
        ("Ha", ["Ha 656", "Ha 6563A", "Ha 656.3nm", "H-alpha 6563", "Ha (656.3/7 nm)", "Ha 656 3nm"]),
        ("Hb", ["Hb", "H-beta", "Hβ 5nm", "Hb 4861"]),
        ("OIII", ["OIII 5007", "OIII 500.7nm", "O3 501", "[O III] 4959 Å"]),
        ("SII", ["SII 672", "S2 6716", "SII 6731"]),
        ("NII", ["NII 6584", "N2 658"]),
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
        ("dual narrowband", ["dual band 7nm"]),
        ("Sloan g", ["g", "g'", "g′", "Sloan g", "SDSS g'", "gp"]),
        ("Sloan i", ["i", "i'", "ip", "Sloan I", "sdss-i"]),
        ("Sloan z", ["z'", "sdss_z", "z", "zs"]),
        (NO_FILTER, ["None", "No filter", "empty", "-", "n/a", "Open"]),
    ],
)
def test_spellings_of_one_filter_are_one_filter(name: str, spellings: list[str]) -> None:
    names = FilterNames()
    given = {names.name(spelling) for spelling in spellings}
    assert {one.canonical for one in given} == {name}
    assert all(one.recognised for one in given)


def test_sloan_is_lower_case_and_the_photometric_system_upper_case() -> None:
    # Fukugita et al. 1996, AJ 111, 1748 write u' g' r' i' z'; Bessell 1990, PASP 102, 1181 U B V R I.
    assert [name_of(letter) for letter in "ugriz"] == [f"Sloan {letter}" for letter in "ugriz"]
    assert [name_of(letter) for letter in "UVI"] == [f"photometric {letter}" for letter in "UVI"]
    assert [name_of(letter) for letter in "RGB"] == ["R", "G", "B"]  # an imager's


def test_the_users_row_for_one_letter_is_for_that_case_alone() -> None:
    names = FilterNames({"i": "near infrared", "r": "R"})
    assert names.name("i").canonical == "near infrared"
    assert names.name("I").canonical == "photometric I"
    assert names.name("r").canonical == names.name("R").canonical == "R"


@pytest.mark.parametrize("written", ["Unknown", "UNKNOWN", "unbekannt", "?", "??", "not set"])
def test_a_word_for_not_known_is_no_filter(written: str) -> None:
    assert name_of(written) == NOT_GIVEN
    assert not FilterNames().name(written).recognised
    assert says_nothing(written)
    assert FilterNames().name(written, colour=True).canonical == COLOUR_CAMERA


@pytest.mark.parametrize(
    ("written", "width_nm"),
    [
        ("Ha 3nm", 3.0),
        ("Ha7", 7.0),
        ("3 nm Ha", 3.0),
        ("Ha 30A", 3.0),
        ("Ha 65 Å", 6.5),
        ("O33nm", 3.0),
        ("O3 6.5", 6.5),
        ("S2 12nm", 12.0),
        ("sulphur 2 3nm", 3.0),
        ("OIII 500.7nm 3 nm", 3.0),
        ("Ha 656/7", 7.0),
        ("HaOIII 7nm", 7.0),
        ("moon grey 40nm", 40.0),
        ("L 100nm", 100.0),
        ("L 101nm", None),
        ("Ha 0.5nm", 0.5),
        ("Ha 6.25 nm", 6.25),
        ("Ha 2.5", 2.5),
        ("Ha 70 angstroms", 7.0),
        ("Ha 70 Angstrom", 7.0),
        ("Ha 656", None),
        ("Ha 6563A", None),
        ("656nm", None),
        ("Ha", None),
        ("O3", None),
        ("Ha 2", None),  # the second of two slots
        ("S3", None),
        ("R 25", None),
        ("L", None),
        ("", None),
        (None, None),
    ],
)
def test_the_width_of_a_filter_is_read_from_its_name(written: str | None, width_nm: float | None) -> None:
    assert filter_width_nm(written) == width_nm


@pytest.mark.parametrize(
    "written",
    ["H2", "S3", "S 3", "O1", "Ha 900nm", "Ha 123", "R 2", "C2", "Ha 3 9999", "Lum 5", "Ha 101nm", "Ha 100"],
)
def test_a_number_that_is_neither_width_nor_wavelength_keeps_a_filter_apart(written: str) -> None:
    assert name_of(written) == written


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


@given(st.text(alphabet="HaOo3Ss2 nmA[]-.0165") | st.text())
def test_a_width_is_a_number_that_a_passband_can_have(written: str) -> None:
    width = filter_width_nm(written)
    assert width is None or 0 < width <= 100
