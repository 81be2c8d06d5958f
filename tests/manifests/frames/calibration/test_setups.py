import math
from datetime import date

import pytest

from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.calibration.setups import FiledFrame, Group, Setup, grouped, setup_of
from manifests.frames.frame import Frame, FrameType

NIGHT = date(2026, 3, 14)


def test_a_setup_is_made_of_a_frames_facts() -> None:
    frame = Frame(
        camera="Lantern  26",
        telescope="Long Tom",
        width_px=6000,
        height_px=4000,
        bin_x=2,
        bin_y=2,
        gain=100.0,
        offset=50.0,
        readout_mode="low noise",
        exposure_s=300.0,
        sensor_deg_c=-10.04,
        setpoint_deg_c=-12.0,
        rotation_deg=12.34,
        focal_length_mm=530.02,
    )
    assert setup_of(frame, NIGHT, "Ha") == Setup(
        camera="Lantern 26",
        telescope="Long Tom",
        filter_name="Ha",
        size_px=(6000, 4000),
        binning=(2, 2),
        gain=100.0,
        offset=50.0,
        readout_mode="low noise",
        exposure_s=300.0,
        sensor_deg_c=-10.0,
        rotation_deg=12.3,
        focal_length_mm=530.0,
        night=NIGHT,
    )


def test_an_empty_header_gives_a_setup_that_knows_nothing() -> None:
    assert setup_of(Frame(), None, None) == Setup()


@pytest.mark.parametrize(
    ("sky_deg", "rotator_deg", "expected"),
    [
        (0.0, 87.5, (None, 87.5)),
        (0.0, None, (0.0, None)),
        (12.0, 87.5, (12.0, 87.5)),
        (12.0, 0.0, (12.0, 0.0)),
        (None, 87.5, (None, 87.5)),
    ],
)
def test_a_zero_left_beside_a_rotator_s_angle_is_no_angle_on_the_sky(sky_deg, rotator_deg, expected) -> None:
    setup = setup_of(Frame(rotation_deg=sky_deg, rotator_deg=rotator_deg), None, None)
    assert (setup.rotation_deg, setup.rotator_deg) == expected


def test_the_set_temperature_stands_in_for_one_that_was_not_measured() -> None:
    assert setup_of(Frame(setpoint_deg_c=-10.0), None, None).sensor_deg_c == -10.0
    assert setup_of(Frame(sensor_deg_c=math.nan, setpoint_deg_c=-10.0), None, None).sensor_deg_c == -10.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_no_fact(value: float) -> None:
    frame = Frame(exposure_s=value, gain=value, sensor_deg_c=value, rotation_deg=value, focal_length_mm=value)
    assert setup_of(frame, None, None) == Setup()


def test_an_exposure_below_zero_is_no_fact_and_none_at_all_is_one() -> None:
    assert setup_of(Frame(exposure_s=-1.0), None, None).exposure_s is None
    assert setup_of(Frame(exposure_s=0.0), None, None).exposure_s == 0.0


def test_one_binning_keyword_is_taken_for_both_axes() -> None:
    assert setup_of(Frame(bin_x=2), None, None).binning == (2, 2)
    assert setup_of(Frame(bin_y=2), None, None).binning is None


def test_a_temperature_that_rounds_to_minus_nothing_is_nothing() -> None:
    assert str(setup_of(Frame(sensor_deg_c=-0.01), None, None).sensor_deg_c) == "0.0"


def test_equipment_has_the_user_s_name() -> None:
    own = EquipmentNames({"EQ mount": "Long Tom"}, {"ccd0": "Lantern 26"})
    setup = setup_of(Frame(camera=" CCD0", telescope="EQ Mount v6.2"), None, None, own)
    assert (setup.camera, setup.telescope) == ("Lantern 26", "Long Tom")


def test_frames_taken_alike_share_a_group() -> None:
    cold, warm = Setup(sensor_deg_c=-10.0), Setup(sensor_deg_c=5.0)
    frames = [
        FiledFrame("a", FrameType.DARK, cold),
        FiledFrame("b", FrameType.DARK, warm),
        FiledFrame("c", FrameType.DARK, cold),
        FiledFrame("d", FrameType.BIAS, cold),
    ]
    assert grouped(frames) == {
        FrameType.DARK: [Group(cold, ("a", "c")), Group(warm, ("b",))],
        FrameType.BIAS: [Group(cold, ("d",))],
    }


@pytest.mark.parametrize(
    ("written", "name", "width_nm"),
    [("Ha 3nm", "Ha", 3.0), ("Ha", "Ha", None), (None, "Ha", None), ("Ha 3nm", "my Ha 3nm", None)],
)
def test_the_width_of_a_filter_is_kept_beside_its_name(
    written: str | None, name: str, width_nm: float | None
) -> None:
    setup = setup_of(Frame(filter_name=written), NIGHT, name)
    assert (setup.filter_name, setup.filter_width_nm) == (name, width_nm)
