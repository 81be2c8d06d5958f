from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.calibration.criteria import rotation_apart_deg
from transfer.jobs.gather.rotations import told_apart


def test_what_jitters_is_one_rotation() -> None:
    assert set(told_apart([89.4, 89.6, 90.4], 2).values()) == {89}


def test_what_is_farther_apart_than_the_tolerance_is_told_apart() -> None:
    assert told_apart([12.0, 90.0, 13.0], 2) == {12.0: 12, 13.0: 12, 90.0: 90}


def test_half_a_turn_makes_no_difference() -> None:
    assert set(told_apart([12.0, 192.5], 2).values()) == {12}


def test_the_same_rotation_on_both_sides_of_zero_is_one() -> None:
    assert len(set(told_apart([179.5, 0.3, 359.9, 90.0], 2).values())) == 2


def test_nothing_known_is_nothing_to_tell_apart() -> None:
    assert told_apart([], 2) == {}


@given(st.lists(st.floats(-720, 720), max_size=12), st.floats(0, 20))
def test_two_within_the_tolerance_always_share_a_number(rotations: list[float], tolerance: float) -> None:
    numbers = told_apart(rotations, tolerance)
    for one in rotations:
        for other in rotations:
            if rotation_apart_deg(one, other) < tolerance - 1e-9:
                assert numbers[one] == numbers[other]
