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
    assert name_of("Wild Duck Cluster") == "Wild Duck Cluster"


@pytest.mark.parametrize(
    "written", ["NGC 598", "triangulum galaxy", "Triangulum Pinwheel", "UGC 1117", "M 33 - Triangulum Galaxy"]
)
def test_with_a_catalogue_all_names_of_an_object_are_one_target(written: str) -> None:
    named = TargetNames(catalogue=CATALOGUE).name(written)
    assert named.canonical == "M 33"
    assert named.recognised
    assert named.how


def test_a_common_name_of_two_objects_is_kept_and_said_so() -> None:
    named = TargetNames(catalogue=CATALOGUE).name("Siamese Twins")
    assert (named.canonical, named.recognised) == ("Siamese Twins", False)
    assert "NGC 4567 and NGC 4568" in named.how


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
@pytest.mark.parametrize(
    ("written", "ra_deg", "dec_deg", "name"),
    [
        ("Lobster Nebula", 261.3, -34.3, "NGC 6357"),
        ("lobster", 275.1, -16.2, "M 17"),
        ("Butterfly Nebula", 258.5, -37.0, "NGC 6302"),
        ("Butterfly Nebula", 305.0, 41.0, "IC 1318"),
        ("Pinwheel Galaxy", 210.8, 54.3, "M 101"),
        ("Spindle", 226.7, 55.8, "NGC 5866"),
        ("Hercules Cluster", 250.4, 36.5, "M 13"),
        ("Hercules Cluster Ha", 241.2, 17.8, "Abell 2151"),
        ("Lobster Nebula", 10.0, 41.0, "Lobster Nebula"),
    ],
)
def test_the_position_decides_which_of_several_objects_a_name_means(
    written: str, ra_deg: float, dec_deg: float, name: str, catalogue: Catalogue | None
) -> None:
    names = TargetNames(catalogue=catalogue)
    assert names.name(written).canonical == written
    named = names.name_at(written, ra_deg, dec_deg, 1.0)
    assert (named.canonical, named.recognised) == (name, name != written)


def test_two_objects_of_one_name_in_one_field_stay_as_written() -> None:
    named = TargetNames(catalogue=CATALOGUE).name_at("Siamese Twins", 189.14, 11.25, 1.0)
    assert (named.canonical, named.recognised) == ("Siamese Twins", False)


def test_the_users_name_is_used_for_the_object_that_the_position_decides_on() -> None:
    names = TargetNames({"M 17": "Swan of ours"})
    assert names.name_at("Lobster", 275.1, -16.2, 1.0).canonical == "Swan of ours"


def test_the_whole_veil_is_not_its_western_part() -> None:
    assert name_of("Veil Nebula", CATALOGUE) == "Veil Nebula"
    assert name_of("Western Veil", CATALOGUE) == name_of("C 34", CATALOGUE) == "NGC 6960"


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
@pytest.mark.parametrize(
    "written",
    [
        "Unknown",
        "None",
        "n/a",
        "-",
        "?",
        "Snapshot",
        "Light",
        "light frame",
        "OBJECT",
        "no name",
        "--",
        "Target",
    ],
)
def test_a_word_for_nothing_is_no_name(written: str, catalogue: Catalogue | None) -> None:
    named = TargetNames(catalogue=catalogue).name(written)
    assert named.canonical is None
    assert written in named.how


@pytest.mark.parametrize("written", ["Panel 1 of 4", "panel 2", "Light panel 3", "Mosaic tile 4/9"])
def test_a_panel_of_nothing_named_has_no_name(written: str) -> None:
    assert name_of(written) is None
    assert "without a name" in TargetNames().name(written).how


@pytest.mark.parametrize("written", ["HAT-P-32", "Comet P1", "Zenith field P2", "Test", "Target 1"])
def test_what_may_be_a_name_is_kept_as_one(written: str) -> None:
    assert name_of(written) == written


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("M31 2026-03-14", "M 31"),
        ("M 31_20260314", "M 31"),
        ("M31_2026_03_14", "M 31"),
        ("M31 2026-03-14T21-00-05", "M 31"),
        ("M 31_300s", "M 31"),
        ("M31 20x300s", "M 31"),
        ("M31 Ha 300 sec 2026-03-14", "M 31"),
        ("Target: M31", "M 31"),
        ("OBJECT = zenith field", "zenith field"),
        ("Zenith field 300s", "Zenith field"),
        ("M31 panel 2 300s", "M 31 panel 2"),
        ("C/2023 A3 2024-10-14", "C/2023 A3"),
        ("Field 7", "Field 7"),
        ("2MASS J0523", "2MASS J0523"),
    ],
)
def test_dates_exposures_and_an_introduction_are_no_part_of_a_name(written: str, name: str) -> None:
    assert name_of(written) == name
    if name != written:
        assert "left out" in TargetNames().name(written).how


@pytest.mark.parametrize("written", ["2026-03-14", "300s", "Target:", "Light 300s", "Unknown 2026-03-14"])
def test_a_date_or_an_exposure_alone_is_no_name(written: str) -> None:
    assert name_of(written) is None


@pytest.mark.parametrize("catalogue", [None, CATALOGUE], ids=["alone", "catalogue"])
@pytest.mark.parametrize(
    "written",
    ["Heart Nebula", "heart", "The Heart Neb", "Sh2-190", "IC1805 Heart", "Heart (IC 1805)", "Heart SHO"],
)
def test_what_is_one_object_by_the_hand_table_is_one_target(
    written: str, catalogue: Catalogue | None
) -> None:
    assert name_of(written, catalogue) == "IC 1805"


def test_a_witch_head_stays_the_number_it_is_known_by() -> None:
    written = ["IC 2118", "NGC 1909", "Witch Head Nebula"]
    assert {name_of(one, CATALOGUE) for one in written} == {"IC 2118"}


def test_the_rosette_is_one_target_and_the_cluster_within_another() -> None:
    written = [
        "Rosette",
        "Rosette Nebula",
        "Caldwell 49",
        "C49",
        "Sh2-275",
        "NGC 2237",
        "NGC 2238",
        "LBN 948",
    ]
    assert {name_of(one, CATALOGUE) for one in written} == {"NGC 2237"}
    assert name_of("C 50", CATALOGUE) == "NGC 2244"


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
    assert name_of("Zenith field panel 2") == "Zenith field panel 2"
    assert name_of("Heart nebula P2") == "IC 1805 panel 2"
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
        ("IC 1805 west", "IC 1805 west"),
        ("West IC 1805", "West IC 1805"),
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
    names = TargetNames(known=["Flying Anvil"])
    assert names.name("flying  anvil").canonical == "Flying Anvil"
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
REST = [
    "Ha",
    "12P",
    "C/2023 A3",
    "Target:",
    "300s",
    "2026-03-14",
    "Heart",
    "Lobster",
    "Light",
    "-",
    "core",
    "Galaxy",
    "../",
    "B",
    "Triangulum",
    "(",
    ")",
    "and",
    "_",
    "\x00",
]
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
