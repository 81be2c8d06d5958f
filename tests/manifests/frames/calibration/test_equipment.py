import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.calibration.equipment import NO_OWN_NAMES, EquipmentNames, without_version


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("Mount driver 6.20.1", "Mount driver"),
        ("Mount driver 6.2", "Mount driver"),
        ("Sky Mount V6.2", "Sky Mount"),
        ("Sky Mount (v 6.2.4b)", "Sky Mount"),
        ("Sky Mount, version 3", "Sky Mount"),
        ("Sky Mount 2.0.1.17", "Sky Mount"),
        ("Sky Mount [rev. 12]", "Sky Mount"),
        ("Sky Mount - 1.2.3", "Sky Mount"),
        ("Refractor 80/480 f/4.8", "Refractor 80/480 f/4.8"),
        ("Newton 203.2", "Newton 203.2"),
        ("Rover 5", "Rover 5"),
        ("Vega 4.5", "Vega 4.5"),
        ("f/5.6.1 special", "f/5.6.1 special"),
        ("EQ6", "EQ6"),
        ("6.2.1", "6.2.1"),
        ("", ""),
    ],
)
def test_a_driver_s_version_is_no_part_of_a_telescope_s_name(written, name):
    assert without_version(written) == name


def test_the_user_s_names_stand_for_their_spellings_of_any_case_and_version():
    own = EquipmentNames({"EQ mount 6.2.1": "Long Tom", "Long Tom": "Long Tom"}, {"CCD 0": "Lantern"})
    assert own.telescope("eq  Mount") == own.telescope("EQ Mount v7.0") == "Long Tom"
    assert own.telescope("Short Tom") == "Short Tom"
    assert own.camera("ccd0") == "Lantern"
    assert own.camera("CCD 1") == "CCD 1"


def test_what_no_header_says_has_no_name():
    assert NO_OWN_NAMES.telescope(None) is None
    assert NO_OWN_NAMES.telescope("  ") is None
    assert NO_OWN_NAMES.camera("") is None


@given(st.text(max_size=60))
def test_no_name_is_lost(written):
    assert without_version(written) or not written
