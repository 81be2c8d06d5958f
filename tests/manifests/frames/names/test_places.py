import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.frame import Frame
from manifests.frames.names.places import (
    ASSUMED_FIELD_DEG,
    UNPLACED,
    KnownTarget,
    field_of_view_deg,
    place,
    position_name,
    same_field,
)

HERE = KnownTarget("M 33", 23.462, 30.660)
NEAR = KnownTarget("NGC 604", 23.633, 30.783)


def test_a_frame_without_a_name_goes_to_the_nearest_target_in_its_field_and_says_so() -> None:
    placed = place(23.45, 30.65, 1.5, [NEAR, HERE])
    assert placed.name == "M 33"
    assert "M 33 is 0.01° away" in placed.how
    assert "1.50°" in placed.how


def test_a_target_outside_the_field_does_not_take_the_frame() -> None:
    placed = place(23.462, 31.2, 1.0, [HERE])
    assert placed.name == "J0133+3112"
    assert "made from the position" in placed.how
    assert place(23.462, 31.1, 1.0, [HERE]).name == "M 33"


def test_the_field_is_measured_on_the_sky_not_in_right_ascension() -> None:
    pole = KnownTarget("NGC 188", 11.8, 85.25)
    assert place(13.0, 85.25, 0.5, [pole]).name == "NGC 188"
    assert place(0.05, 10.0, 0.5, [KnownTarget("east", 359.95, 10.0)]).name == "east"


def test_a_field_that_is_not_known_is_assumed_and_said_so() -> None:
    assert "assumed" in place(23.45, 30.65, None, [HERE]).how
    assert place(23.462, 30.660 + ASSUMED_FIELD_DEG, None, [HERE]).name == "J0133+3109"


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg"), [(None, 1.0), (1.0, None), (math.nan, 1.0), (1.0, 91.0), (math.inf, 0.0)]
)
def test_a_frame_with_neither_name_nor_position_is_unplaced_and_says_so(ra_deg, dec_deg) -> None:
    placed = place(ra_deg, dec_deg, 1.0, [HERE])
    assert placed.name == UNPLACED
    assert "neither a name nor a position" in placed.how


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "name"),
    [
        (23.462, 30.660, "J0133+3039"),
        (23.4999, 30.9999, "J0133+3059"),  # cut, never rounded up
        (23.5, 31.0, "J0134+3100"),
        (15 * (1 + 59 / 60), -0.5, "J0159-0030"),
        (0.0, -0.01, "J0000-0000"),
        (-0.001, 90.0, "J2359+9000"),
        (360.0, -90.0, "J0000-9000"),
        (359.9999999999999, 0.0, "J0000+0000"),
    ],
)
def test_a_position_gives_a_name_that_is_cut_not_rounded(ra_deg: float, dec_deg: float, name: str) -> None:
    assert position_name(ra_deg, dec_deg) == name


@given(st.floats(-720, 720), st.floats(-90, 90))
def test_a_name_from_a_position_always_has_its_ten_characters(ra_deg: float, dec_deg: float) -> None:
    name = position_name(ra_deg, dec_deg)
    assert len(name) == 10
    assert int(name[1:3]) < 24
    assert int(name[3:5]) < 60
    assert int(name[8:10]) < 60


def test_a_position_that_is_not_on_the_sky_has_no_name() -> None:
    with pytest.raises(ValueError, match="not a position"):
        position_name(10.0, 90.5)


def test_two_targets_on_one_field_are_pointed_out() -> None:
    targets = [KnownTarget("Heart", 38.2, 61.45, 2.0), KnownTarget("IC 1805", 38.17, 61.47, 1.0), HERE]
    (pair,) = same_field(targets)
    assert {pair.first.name, pair.second.name} == {"Heart", "IC 1805"}
    assert pair.separation_deg == pytest.approx(0.0246, abs=0.001)


def test_the_smaller_of_two_fields_decides_what_is_the_same_field() -> None:
    wide, narrow = KnownTarget("wide", 10.0, 20.0, 4.0), KnownTarget("narrow", 10.0, 20.2, 0.4)
    assert same_field([wide, narrow]) == []
    assert len(same_field([wide, KnownTarget("other", 10.0, 20.2, 4.0)])) == 1


def test_targets_either_side_of_zero_hours_share_a_field() -> None:
    assert len(same_field([KnownTarget("a", 359.99, 5.0, 1.0), KnownTarget("b", 0.01, 5.0, 1.0)])) == 1


@given(st.lists(st.tuples(st.floats(0, 3), st.floats(-2, 2), st.floats(0.1, 6)), max_size=25))
def test_sorting_by_declination_misses_no_pair(places) -> None:
    targets = [KnownTarget(str(i), ra, dec, field) for i, (ra, dec, field) in enumerate(places)]
    found = {frozenset((pair.first.name, pair.second.name)) for pair in same_field(targets)}
    every = {
        frozenset((a.name, b.name))
        for a in targets
        for b in targets
        if a.name < b.name and same_field([a, b])
    }
    assert found == every


def test_the_field_of_view_is_the_shorter_side_and_unknown_where_a_fact_is_missing() -> None:
    frame = Frame(width_px=6000, height_px=4000, pixel_um=3.76, focal_length_mm=500.0)
    assert field_of_view_deg(frame) == pytest.approx(1.7232, abs=0.0005)
    assert field_of_view_deg(Frame(width_px=6000, height_px=4000, pixel_um=3.76)) is None
    assert field_of_view_deg(Frame(width_px=1, height_px=1, pixel_um=1.0, focal_length_mm=-3.0)) is None
