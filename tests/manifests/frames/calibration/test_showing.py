import pytest

from manifests.frames.calibration.criteria import AGREEING, CLOSE
from manifests.frames.calibration.setups import Setup
from manifests.frames.calibration.showing import shown, shown_together


@pytest.mark.parametrize(
    ("fact", "setup", "text"),
    [
        ("exposure", Setup(exposure_s=300.0), "300 s"),
        ("exposure", Setup(exposure_s=1.567), "1.57 s"),
        ("exposure", Setup(exposure_s=0.000125), "0.000125 s"),
        ("exposure", Setup(exposure_s=0.0), "0 s"),
        ("sensor temperature", Setup(sensor_deg_c=-10.2), "−10 °C"),
        ("sensor temperature", Setup(sensor_deg_c=-10.4), "−10.4 °C"),
        ("sensor temperature", Setup(sensor_deg_c=-0.1), "0 °C"),
        ("gain", Setup(gain=1.5), "gain 1.5"),
        ("offset", Setup(offset=-3.0), "offset −3"),
        ("rotation", Setup(rotation_deg=359.7), "rotation 0°"),
        ("size", Setup(size_px=(6000, 4000)), "6000 × 4000 px"),
        ("focal length", Setup(focal_length_mm=530.5), "530.5 mm"),
    ],
)
def test_a_fact_is_shown_as_a_person_reads_it(fact: str, setup: Setup, text: str) -> None:
    assert shown(fact, setup) == text


def test_measures_of_several_setups_are_a_range_and_names_a_list() -> None:
    assert (
        shown_together("sensor temperature", [Setup(sensor_deg_c=-10.0), Setup(sensor_deg_c=-12.0)])
        == "−12 to −10 °C"
    )
    assert (
        shown_together("rotation", [Setup(rotation_deg=192.0), Setup(rotation_deg=12.1)])
        == "rotation 192°, 12°"
    )
    assert shown_together("filter", [Setup(filter_name="Ha"), Setup(), Setup(filter_name="Ha")]) == "Ha"


def test_every_fact_that_is_compared_can_be_shown() -> None:
    for facts in (*AGREEING.values(), *CLOSE.values()):
        for fact in facts:
            assert shown(fact.name, Setup()) is None
