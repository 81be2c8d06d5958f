import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.catalogues import Catalogue, load_catalogue
from manifests.frames.names.targets import TargetNames

CATALOGUE = load_catalogue()


def name_of(written: str | None, catalogue: Catalogue | None = None) -> str | None:
    return TargetNames(catalogue=catalogue).name(written).canonical


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
def test_spellings_of_one_designation_are_one_target(catalogue: Catalogue | None) -> None:
    written = ["M33", "m 33", "Messier 033", "M-33", " M_33 ", "M\x0033"]
    assert {name_of(spelling, catalogue) for spelling in written} == {"M 33"}


def test_without_a_catalogue_two_designations_stay_two_targets() -> None:
    assert name_of("M33") == "M 33"
    assert name_of("NGC 598") == "NGC 598"
    assert name_of("Triangulum Galaxy") == "Triangulum Galaxy"


@pytest.mark.parametrize(
    "written", ["NGC 598", "triangulum galaxy", "Triangulum Pinwheel", "UGC 1117", "M 33 - Triangulum Galaxy"]
)
def test_with_a_catalogue_all_names_of_an_object_are_one_target(written: str) -> None:
    named = TargetNames(catalogue=CATALOGUE).name(written)
    assert named.canonical == "M 33"
    assert named.recognised
    assert named.how


def test_a_common_name_of_two_objects_is_kept_and_said_so() -> None:
    named = TargetNames(catalogue=CATALOGUE).name("Antennae Galaxies")
    assert (named.canonical, named.recognised) == ("Antennae Galaxies", False)
    assert "NGC 4038 and NGC 4039" in named.how


def test_a_common_name_that_handbooks_give_to_different_objects_is_kept() -> None:
    assert name_of("Flame Nebula", CATALOGUE) == "Flame Nebula"
    assert name_of("Veil Nebula", CATALOGUE) == "Veil Nebula"


def test_the_disputed_m_102_is_merged_with_neither() -> None:
    assert name_of("M102", CATALOGUE) == "M 102"
    assert name_of("NGC 5866", CATALOGUE) == "NGC 5866"


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
@pytest.mark.parametrize(
    "written", ["M31 Panel 2", "M 31 P2", "M31_panel_02", "m31 2/4", "Panel 2 of 4: M31"]
)
def test_a_panel_stays_apart_from_its_target_under_one_name(
    written: str, catalogue: Catalogue | None
) -> None:
    named = TargetNames(catalogue=catalogue).name(written)
    assert named.canonical == "M 31 panel 2"
    assert "panel 2" in named.how


def test_the_panels_of_an_unknown_target_stay_apart_too() -> None:
    assert name_of("Heart nebula P2") == "Heart nebula panel 2"
    assert name_of("Moon 3/14") == "Moon 3/14"


@pytest.mark.parametrize(
    "written", ["M 31 Ha", "M31 - Galaxy", "M 31 (H alpha 3nm)", "M31 LRGB", "M31 Ha-OIII"]
)
def test_words_that_add_nothing_are_left_out_and_said_so(written: str) -> None:
    named = TargetNames().name(written)
    assert named.canonical == "M 31"
    assert "left out" in named.how


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("M31 core", "M 31 core"),
        ("m 31  core", "M 31 core"),
        ("NGC 3690 B", "NGC 3690 B"),  # a component, not the blue filter
        ("IC 1805 Heart", "IC 1805 Heart"),
        ("Heart IC 1805", "Heart IC 1805"),
    ],
)
def test_words_that_may_mean_another_target_keep_it_apart_and_it_is_said(written: str, kept: str) -> None:
    named = TargetNames().name(written)
    assert (named.canonical, named.recognised) == (kept, False)
    assert "kept apart from" in named.how


def test_several_objects_in_one_frame_are_one_target_in_any_order() -> None:
    assert name_of("M82 & M81") == name_of("M81/M82") == name_of("M 81 and M 82") == "M 81 + M 82"


def test_a_number_beyond_its_catalogue_is_kept_as_written_and_said_so() -> None:
    named = TargetNames().name("M 111")
    assert (named.canonical, named.recognised) == ("M 111", False)
    assert "beyond the catalogue's 110" in named.how


def test_an_unknown_target_is_kept_as_written_and_its_first_spelling_stays() -> None:
    names = TargetNames(known=["Heart Nebula"])
    assert names.name("heart  nebula").canonical == "Heart Nebula"
    assert names.name("Zenith field").canonical == names.name("ZENITH FIELD").canonical == "Zenith field"


@pytest.mark.parametrize("written", [None, "", "   ", "\x00\x01"])
def test_nothing_written_is_no_name(written: str | None) -> None:
    assert name_of(written) is None


@pytest.mark.parametrize("written", ["../x", "CON", "a\nb", "x" * 10_000, "M31 " * 2_500, "C/2023 A3"])
def test_a_hostile_name_becomes_a_short_plain_one(written: str) -> None:
    canonical = name_of(written)
    assert canonical is not None
    assert len(canonical) <= 200
    assert canonical.isprintable()


def test_the_users_table_wins_for_every_spelling() -> None:
    names = TargetNames({"M31": "Andromeda", "my field": "NGC 7000"})
    assert names.name("Messier 031").canonical == "Andromeda"
    assert names.name("m 31 P2").canonical == "Andromeda panel 2"
    assert names.name("My  Field").canonical == "NGC 7000"
    assert names.name("M 31 Ha").canonical == "Andromeda"


def test_the_users_table_names_an_object_by_whichever_designation_it_has() -> None:
    names = TargetNames({"NGC 598": "Pinwheel of ours"}, CATALOGUE)
    assert names.name("M33").canonical == "Pinwheel of ours"
    assert names.name("pinwheel OF ours").canonical == "Pinwheel of ours"


def test_the_users_table_can_keep_one_name_apart() -> None:
    names = TargetNames({"M 31 Ha": "M 31 Ha"})
    assert names.name("m31 HA").canonical == "M 31 Ha"
    assert names.name("M 31 H-alpha").canonical == "M 31"
    assert names.name("M31").canonical == "M 31"


def test_the_users_table_can_name_a_panel() -> None:
    names = TargetNames({"M31 panel 1": "Andromeda west"})
    assert names.name("M 31 P1").canonical == "Andromeda west"
    assert names.name("M 31 P2").canonical == "M 31 panel 2"


DESIGNATIONS = ["M31", "M 33", "NGC", "598", "IC 63/59", "Sh2-155", "1-92", "Orion Nebula"]
PANELS = ["panel", "P2", "2/4", "R1C2", "Panel 2 -", "of"]
REST = ["Ha", "-", "core", "Galaxy", "../", "B", "Triangulum", "(", ")", "and", "_", "\x00"]
LIKELY = st.lists(st.sampled_from(DESIGNATIONS + PANELS + REST), max_size=6).map(" ".join)


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
@given(written=st.text() | LIKELY | LIKELY.map(lambda name: name.replace(" ", "")))
def test_a_targets_name_names_itself(catalogue: Catalogue | None, written: str) -> None:
    names = TargetNames(catalogue=catalogue)
    canonical = names.name(written).canonical
    if canonical is not None:
        assert canonical
        assert not any(ord(character) < 32 for character in canonical)
        assert names.name(canonical).canonical == canonical
