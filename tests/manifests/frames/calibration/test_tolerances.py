import pytest

from manifests.frames.calibration.tolerances import Tolerances


def test_a_tolerance_below_zero_is_refused_by_its_name() -> None:
    with pytest.raises(ValueError, match="sensor_deg_c is -1"):
        Tolerances(sensor_deg_c=-1)


def test_no_tolerance_at_all_and_no_limit_are_both_possible() -> None:
    assert Tolerances(sensor_deg_c=0, flat_nights=0).flat_nights == 0
    assert Tolerances(least_count=0).least_count == 0
