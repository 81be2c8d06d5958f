"""Names as they are typed: one thing in many spellings, and what is told about a slip."""

from __future__ import annotations

import importlib.util

import pytest

from manifests.frames.calibration.equipment import EquipmentNames
from manifests.index.names import ArchiveNames
from transfer.archive.notes import Note, ReadAs, UnknownName
from transfer.archive.typed_names import ArchiveNaming, NameTables, Typed, names_like, names_meant

KNOWN = ArchiveNames(
    ("M 33", "M 51", "NGC 7000", "NGC 7000 panel 2", "Sh2-155", "The long way round"),
    ("Ha", "L", "OIII", "dual narrowband"),
    ("Lantern 26M", "Lantern 26C"),
)


def meant(told: list[Note], own: NameTables | None = None, **typed: str) -> Typed:
    asked = Typed(**{kind: (name,) for kind, name in typed.items()})
    return names_meant(asked, KNOWN, own or NameTables(), told.append)


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("M 33", "M 33"),
        ("m33", "M 33"),
        ("Messier 033", "M 33"),
        ("NGC 7000 P2", "NGC 7000 panel 2"),
        ("sh 2-155", "Sh2-155"),
        ("the LONG way  round", "The long way round"),
    ],
)
def test_a_target_is_found_in_any_spelling(told: list[Note], typed: str, name: str) -> None:
    assert meant(told, targets=typed).targets == (name,)
    assert not any(isinstance(note, UnknownName) for note in told)


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("ha", "Ha"),
        ("H-alpha", "Ha"),
        ("Hα 3nm", "Ha"),
        ("Lum", "L"),
        ("o3", "OIII"),
        ("duoband", "dual narrowband"),
    ],
)
def test_a_filter_is_found_in_any_spelling(told: list[Note], typed: str, name: str) -> None:
    assert meant(told, filters=typed).filters == (name,)


def test_a_camera_is_found_whatever_its_case(told: list[Note]) -> None:
    assert meant(told, cameras="lantern26m").cameras == ("Lantern 26M",)


@pytest.mark.skipif(importlib.util.find_spec("pyongc") is None, reason="the optional catalogue")
@pytest.mark.parametrize("typed", ["NGC 598", "Triangulum Galaxy"])
def test_another_name_of_the_same_object_finds_it(told: list[Note], typed: str) -> None:
    assert meant(told, targets=typed).targets == ("M 33",)
    assert told == [ReadAs("target", typed, ("M 33",))]


def test_ones_own_names_win(told: list[Note]) -> None:
    own = NameTables({"pinwheel": "M 33"}, {"the red one": "Ha"})
    assert meant(told, own, targets="Pinwheel", filters="the red one") == Typed(("M 33",), ("Ha",))


def test_the_user_s_name_of_a_camera_finds_what_headers_call_it(told: list[Note]) -> None:
    own = NameTables(equipment=EquipmentNames(cameras={"Lantern 26M": "Big eye"}))
    assert meant(told, own, cameras="big eye").cameras == ("Lantern 26M",)
    assert meant(told, own, cameras="lantern26m").cameras == ("Lantern 26M",)


def test_a_name_of_the_configuration_needs_no_word_where_it_is_the_one_shown(told: list[Note]) -> None:
    own = NameTables({"M 33": "Pinwheel"})
    assert meant(told, own, targets="pinwheel").targets == ("M 33",)
    assert told == []
    meant(told, own, targets="M 33")
    assert told == [ReadAs("target", "M 33", ("Pinwheel",))]


def test_a_name_read_as_another_is_told_and_one_that_differs_by_case_is_not(told: list[Note]) -> None:
    meant(told, targets="Messier 33")
    meant(told, targets="m33")
    assert told == [ReadAs("target", "Messier 33", ("M 33",))]


def test_a_target_that_is_not_there_is_told_with_those_like_it(told: list[Note]) -> None:
    assert meant(told, targets="NGC 700").targets == ("NGC 700",)
    (note,) = told
    assert isinstance(note, UnknownName)
    assert note.near[:2] == ("NGC 7000", "NGC 7000 panel 2")


def test_a_target_brings_all_its_panels_and_says_so(told: list[Note]) -> None:
    panels = ("NGC 7000", "NGC 7000 panel 2")
    assert meant(told, targets="ngc7000").targets == panels
    assert told == [ReadAs("target", "ngc7000", panels)]
    assert meant(told, targets="NGC 7000 panel 2").targets == ("NGC 7000 panel 2",)


def test_nothing_like_it_is_nothing_to_show() -> None:
    assert names_like("zzzz", KNOWN.targets) == ()


def test_no_name_is_typed() -> None:
    assert not Typed()
    assert Typed(cameras=("x",))


ARCHIVED = ("M 31 panel 1", "M 31 panel 2", "M 33", "NGC 7000", "Flying Bat", "unplaced", "J0133+3039")


def naming(own: NameTables | None = None, filters: tuple[str, ...] = ("L", "Ha", "OIII")) -> ArchiveNaming:
    return ArchiveNaming(ArchiveNames(ARCHIVED, filters, ()), own or NameTables())


@pytest.mark.parametrize(
    ("written", "names"),
    [
        ("M 33", ["M 33"]),
        ("messier033", ["M 33"]),
        ("M33 - Ha", ["M 33"]),
        ("m31", ["M 31 panel 1", "M 31 panel 2"]),
        ("M31 panel 2 of 4", ["M 31 panel 2"]),
        ("M 31 panel 3", []),
        ("flying  BAT", ["Flying Bat"]),
        ("unplaced", ["unplaced"]),
        ("j0133+3039", ["J0133+3039"]),
        ("M 3", []),
        ("../x", []),
        ("7000", []),
    ],
)
def test_a_target_is_found_in_any_spelling_with_its_panels(written: str, names: list[str]) -> None:
    assert list(naming().target(written).names) == names


def named(written: str, *archived: str) -> tuple[str, ...]:
    return ArchiveNaming(ArchiveNames(archived, (), ()), NameTables()).target(written).names


def test_a_name_of_several_objects_finds_each_that_the_archive_has() -> None:
    assert named("Lobster Nebula", "M 17", "M 33", "NGC 6357") == ("M 17", "NGC 6357")


def test_a_word_for_nothing_finds_a_target_of_that_name_alone() -> None:
    assert named("unknown", "Unknown", "Snapshot", "M 33") == ("Unknown",)
    assert named("none", "Unknown", "Snapshot", "M 33") == ()


def test_a_popular_name_finds_what_was_filed_by_it_and_by_its_number() -> None:
    assert named("heart", "Heart Nebula", "IC 1805", "IC 1848") == ("Heart Nebula", "IC 1805")


def test_a_name_from_before_ones_own_table_is_found_under_the_new_one() -> None:
    own = NameTables({"NGC 7000": "North America"})
    for written in ("north america", "NGC7000"):
        found = naming(own).target(written)
        assert (found.name, found.names) == ("North America", ("NGC 7000",))


def test_how_a_name_was_read_is_said_where_it_is_another_one() -> None:
    assert naming(NameTables({"the pinwheel": "M 33"})).target("the pinwheel").how == "the user's table"
    assert naming().target("m33").how == ""


@pytest.mark.parametrize(("written", "names"), [("o3", ("OIII",)), ("Lum", ("L",)), ("SII", ())])
def test_a_filter_is_found_among_the_archives_names(written: str, names: tuple[str, ...]) -> None:
    assert naming().filters_meant(written) == names


@pytest.mark.parametrize(
    ("written", "names"),
    [("r", ("R",)), ("i", ("Sloan i",)), ("I", ("photometric I",)), ("sloan I", ("Sloan i",))],
)
def test_a_letter_means_the_archives_own_filter_first(written: str, names: tuple[str, ...]) -> None:
    assert naming(filters=("R", "Sloan r", "Sloan i", "photometric I")).filters_meant(written) == names


def test_ones_own_filter_is_found_by_what_it_is_called_and_by_what_it_was() -> None:
    own = NameTables(filters={"narrow red": "Ha"})
    assert naming(own).filters_meant("narrow red", ("Ha",)) == ("Ha",)
    assert naming(own).filters_meant("Ha", ("narrow red",)) == ("narrow red",)
