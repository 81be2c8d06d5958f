"""Circles on the sky against the angle between two directions, poles and zero right ascension included."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.names.angles import separation_deg
from manifests.index.cones import Cone, direction, position

RA = st.floats(-720, 720) | st.sampled_from([0.0, 1e-9, 180.0, 359.9999999, 360.0])
DEC = st.floats(-90, 90) | st.sampled_from([-90.0, -89.9999999, 0.0, 89.9999999, 90.0])
RADIUS = st.floats(0, 180) | st.sampled_from([0.0, 1e-6, 0.5, 90.0, 179.999, 180.0])


def is_inside(cone: Cone, ra_deg: float, dec_deg: float) -> bool:
    apart = (there - here for there, here in zip(direction(ra_deg, dec_deg), cone.centre(), strict=True))
    return sum(axis * axis for axis in apart) <= cone.greatest_chord_squared()


def is_in_box(cone: Cone, ra_deg: float, dec_deg: float) -> bool:
    spans = zip(direction(ra_deg, dec_deg), cone.box(), strict=True)
    return all(least <= axis <= most for axis, (least, most) in spans)


@given(ra=RA, dec=DEC, radius=RADIUS, other_ra=RA, other_dec=DEC)
def test_a_cone_holds_what_is_no_farther_than_its_radius(
    ra: float, dec: float, radius: float, other_ra: float, other_dec: float
) -> None:
    cone = Cone(ra, dec, radius)
    apart = separation_deg(ra, dec, other_ra, other_dec)
    # Near the opposite point a distance hardly changes with the angle: 1e-6° is what is left of a double.
    if abs(apart - radius) > 1e-6:
        assert is_inside(cone, other_ra, other_dec) == (apart <= radius)


@given(ra=RA, dec=DEC, radius=st.floats(0, 0.1), towards=st.floats(0, 2 * math.pi), part=st.floats(0, 2))
def test_small_cones_are_told_apart_to_a_thousandth_of_a_second_of_arc(
    ra: float, dec: float, radius: float, towards: float, part: float
) -> None:
    other_dec = dec + radius * part * math.cos(towards)
    across = math.cos(math.radians(dec))
    other_ra = ra + (radius * part * math.sin(towards) / across if across > 1e-3 else 0.0)
    if not -90 <= other_dec <= 90:
        return
    apart = separation_deg(ra, dec, other_ra, other_dec)
    if abs(apart - radius) * 3600 > 1e-3:
        assert is_inside(Cone(ra, dec, radius), other_ra, other_dec) == (apart <= radius)


@given(ra=RA, dec=DEC, radius=RADIUS, other_ra=RA, other_dec=DEC)
def test_what_is_in_a_cone_is_in_its_box(
    ra: float, dec: float, radius: float, other_ra: float, other_dec: float
) -> None:
    cone = Cone(ra, dec, radius)
    if is_inside(cone, other_ra, other_dec):
        assert is_in_box(cone, other_ra, other_dec)


@pytest.mark.parametrize("radius", [1e-4, 0.01, 0.5, 30.0, 90.0, 150.0])
@pytest.mark.parametrize("middle", [(0.0, 0.0), (359.99, 41.0), (83.8, -89.9999), (200.0, 90.0)])
def test_the_edge_of_a_cone_is_where_its_radius_ends(radius: float, middle: tuple[float, float]) -> None:
    ra, dec = middle
    cone = Cone(ra, dec, radius)
    for part, inside in ((1 - 1e-6, True), (1 + 1e-6, False)):
        along = dec - radius * part  # straight south, past the pole if need be
        other = (ra, along) if along >= -90 else (ra + 180, -180 - along)
        assert is_inside(cone, *other) is inside


def test_the_box_of_a_small_cone_is_small() -> None:
    for least, most in Cone(123.0, 45.0, 0.5).box():
        assert most - least < 2 * math.radians(0.5) + 1e-9


def test_a_cone_without_a_radius_holds_its_own_middle() -> None:
    assert is_inside(Cone(10.684, 41.269, 0.0), 10.684, 41.269)


@given(ra=st.floats(0, 359.999), dec=st.floats(-89.99, 89.99), length=st.floats(0.01, 1e6))
def test_a_vectors_position_is_that_of_its_direction(ra: float, dec: float, length: float) -> None:
    x, y, z = direction(ra, dec)
    found = position(x * length, y * length, z * length)
    assert found is not None
    assert separation_deg(ra, dec, *found) < 1e-9


def test_a_vector_without_length_has_no_position() -> None:
    assert position(0.0, 0.0, 0.0) is None


@pytest.mark.parametrize(
    ("ra", "dec", "radius"),
    [
        (0, 90.1, 1),
        (0, -91, 1),
        (math.nan, 0, 1),
        (math.inf, 0, 1),
        (0, math.nan, 1),
        (0, 0, -1),
        (0, 0, 181),
    ],
)
def test_what_is_no_circle_on_the_sky_is_refused(ra: float, dec: float, radius: float) -> None:
    with pytest.raises(ValueError, match="sky"):
        Cone(ra, dec, radius)
