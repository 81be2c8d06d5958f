from __future__ import annotations

import pytest

from manifests.frames.names.filters import FilterNames
from manifests.frames.names.targets import TargetNames
from transfer.jobs.gather.naming import meant_filters, meant_targets

ARCHIVED = ("M 31 panel 1", "M 31 panel 2", "M 33", "NGC 7000", "Flying Bat", "unplaced", "J0133+3039")


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
    assert list(meant_targets(written, ARCHIVED, TargetNames(known=ARCHIVED)).names) == names


def test_a_name_from_before_ones_own_table_is_found_under_the_new_one() -> None:
    naming = TargetNames({"NGC 7000": "North America"}, known=ARCHIVED)
    for written in ("north america", "NGC7000"):
        meant = meant_targets(written, ARCHIVED, naming)
        assert (meant.name, meant.names) == ("North America", ("NGC 7000",))


def test_how_a_name_was_read_is_said_where_it_is_another_one() -> None:
    naming = TargetNames({"the pinwheel": "M 33"}, known=ARCHIVED)
    assert meant_targets("the pinwheel", ARCHIVED, naming).how == "the user's table"
    assert meant_targets("m33", ARCHIVED, naming).how == ""


@pytest.mark.parametrize(("written", "names"), [("o3", ("OIII",)), ("Lum", ("L",)), ("SII", ())])
def test_a_filter_is_found_in_any_spelling(written: str, names: tuple[str, ...]) -> None:
    assert meant_filters(written, ("L", "Ha", "OIII"), FilterNames()) == names


def test_ones_own_filter_is_found_by_what_it_is_called_and_by_what_it_was() -> None:
    naming = FilterNames({"narrow red": "Ha"})
    assert meant_filters("narrow red", ("Ha",), naming) == ("Ha",)
    assert meant_filters("Ha", ("narrow red",), naming) == ("narrow red",)


@pytest.mark.parametrize(
    ("written", "names"),
    [("r", ("R",)), ("i", ("Sloan i",)), ("I", ("photometric I",)), ("sloan I", ("Sloan i",))],
)
def test_a_letter_means_the_archives_own_filter_first(written: str, names: tuple[str, ...]) -> None:
    assert meant_filters(written, ("R", "Sloan r", "Sloan i", "photometric I"), FilterNames()) == names
