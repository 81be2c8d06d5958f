"""A name held against a position: the same field, another one, and names that may be anywhere."""

from __future__ import annotations

import pytest

from manifests.findings import FindingKind
from manifests.frames.names.catalogues import load_catalogue
from manifests.frames.names.pointing import pointed_elsewhere
from manifests.frames.names.targets import TargetNames

NAMES = TargetNames(catalogue=load_catalogue())
M_31, M_33 = (10.68, 41.27), (23.46, 30.66)


def finding(written: str, at: tuple[float, float], field_deg: float | None = 1.0, names: TargetNames = NAMES):
    return pointed_elsewhere(names.name(written), *at, field_deg, names)


def test_a_frame_that_does_not_show_what_its_header_names_is_told_with_what_it_shows() -> None:
    found = finding("andromeda galaxy", M_33)
    assert found is not None
    assert found.kind is FindingKind.POINTED_ELSEWHERE
    assert found.detail == "the header says M 31; the telescope pointed at M 33, 14.8° from M 31"


def test_a_frame_of_what_its_header_names_is_no_finding() -> None:
    assert finding("M 31", M_31) is None
    assert finding("M31 2026-03-14", M_31) is None


def test_field_and_object_are_allowed_for_and_no_more() -> None:
    # M 31 is 178' long in the catalogue; the field is a degree: 3.97° in all.
    assert finding("M 31", (10.68, 41.27 + 3.9)) is None
    assert finding("M 31", (10.68, 41.27 + 4.1)) is not None
    assert finding("M 57", (283.4, 33.03 + 1.0)) is None
    assert finding("M 57", (283.4, 33.03 + 1.1)) is not None


def test_a_field_that_is_not_known_is_half_a_degree() -> None:
    assert finding("M 57", (283.4, 33.03 + 0.5), None) is None
    assert finding("M 57", (283.4, 33.03 + 0.6), None) is not None


def test_the_size_of_a_nebula_is_not_that_of_the_cluster_within() -> None:
    # OpenNGC gives IC 1396 the 14' of its cluster; Sharpless 131 is 170' across.
    assert finding("IC 1396", (324.74, 57.49 + 2.0), 0.5) is None


def test_an_empty_place_is_told_by_its_position() -> None:
    found = finding("M 31", (180.0, -80.05), 0.1)
    assert found is not None
    assert "pointed at J1200-8003" in found.detail


def test_an_object_of_the_hand_table_is_held_against_the_position_without_a_catalogue() -> None:
    alone = TargetNames()
    assert finding("Tulip", (299.9, 35.3), 1.0, alone) is None
    found = finding("Tulip", M_33, 1.0, alone)
    assert found is not None
    assert "pointed at J0133+3039" in found.detail
    assert finding("M 31", M_33, 1.0, alone) is None  # without a catalogue nobody knows where it is


@pytest.mark.parametrize(
    "written",
    [
        "M 31 panel 2",
        "12P/Pons-Brooks",
        "C/2023 A3",
        "Zenith field",
        "M 31 core",
        "Lobster Nebula",
        "Light",
        "",
    ],
)
def test_what_may_be_anywhere_is_no_finding(written: str) -> None:
    assert finding(written, M_33) is None


def test_what_lies_at_the_position_is_looked_for_in_the_field_alone() -> None:
    found = finding("M 31", (M_33[0], M_33[1] + 0.6), 1.0)
    assert found is not None
    assert "pointed at M 33" not in found.detail
    found = finding("M 31", (M_33[0], M_33[1] + 0.4), 1.0)
    assert found is not None
    assert "pointed at M 33" in found.detail


def test_an_object_whose_place_is_not_known_may_be_the_one_that_is_shown() -> None:
    assert finding("M 31 + LDN 889", M_33) is None


def test_an_object_whose_size_is_not_known_is_a_point() -> None:
    assert NAMES.name("IC 336").objects[0].size_deg is None
    at = NAMES.name("IC 336").objects[0]
    assert at.ra_deg is not None
    assert at.dec_deg is not None
    assert finding("IC 336", (at.ra_deg, at.dec_deg + 0.99)) is None
    assert finding("IC 336", (at.ra_deg, at.dec_deg + 1.01)) is not None


def test_of_several_objects_in_one_frame_one_is_enough() -> None:
    assert finding("M 81 + M 82", (148.9, 69.1)) is None
    assert finding("M 81 + M 82", M_33) is not None
