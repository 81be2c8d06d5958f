from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames import values
from manifests.frames.cards import CardValue


def _commented(value, comment):
    return CardValue(value, f" {value} / {comment}")


@pytest.mark.parametrize(
    ("value", "expected"),
    [("  M 31 ", "M 31"), (1234, "1234"), (2.5, "2.5"), ("a\tb\x1b[2J", "a b [2J"), (True, None), ("", None)],
)
def test_a_name_is_one_clean_line(value, expected):
    assert values.text(CardValue(value)) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (3, 3.0),
        (-2.5, -2.5),
        (" 120.0", 120.0),
        ("1.5D2", 150.0),
        ("12 s", None),
        ("inf", None),
        ("nan", None),
    ],
)
def test_a_number_may_be_written_as_text(value, expected):
    assert values.number(CardValue(value)) == expected


@pytest.mark.parametrize("value", [True, 1 + 2j, math.inf, -math.inf, 10**400, "1e999", "M 31", "1_0"])
def test_what_is_no_finite_number_is_none(value):
    assert values.number(CardValue(value)) is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [(2, 2), (1.0, 1), ("4", 4), (999, 999), (0, None), (1.5, None), (1000, None), (5000, None)],
)
def test_a_count_is_a_small_whole_number(value, expected):
    assert values.count(CardValue(value)) == expected


@pytest.mark.parametrize(
    ("value", "comment", "expected_s"),
    [
        (300.0, "", 300.0),
        (300.0, "Exposure time in seconds", 300.0),
        (70.0, "Exposure time minutes", 4200.0),
        (2.0, "[min] exposure", 120.0),
        (1500, "(ms)", 1.5),
        (1500, "exposure in milliseconds", 1.5),
        (5000, "[us]", 0.005),
        (300.0, "[s] not minutes", 300.0),
        (30.0, "[furlong]", 30.0),
        (0.5, "[h]", 1800.0),
        (7, "exposure in secs", 7.0),
        ("120.0", "[min]", 7200.0),
    ],
)
def test_an_exposure_is_in_seconds_unless_its_comment_names_a_unit(value, comment, expected_s):
    assert values.seconds(_commented(value, comment)) == pytest.approx(expected_s)


@pytest.mark.parametrize(
    ("value", "comment", "expected"),
    [
        (-10.0, "", -10.0),
        (-9.5, "[degC] sensor", -9.5),
        (263.15, "[K]", -10.0),
        (175.003, "[K] servo temp", -98.147),
        (14.0, "(F) outside", -10.0),
        (50, "temperature in Fahrenheit", 10.0),
        (180.2, "", None),
        (-300, "[C]", None),
        (-200.0, "", -200.0),
        (-200.1, "", None),
        (100.0, "", 100.0),
        (100.1, "", None),
        (999, "", None),
    ],
)
def test_a_temperature_that_can_not_be_celsius_is_not_guessed_at(value, comment, expected):
    got = values.deg_c(_commented(value, comment))
    assert got is None if expected is None else got == pytest.approx(expected)


def test_lengths_are_in_their_usual_unit_and_zero_is_unknown():
    assert values.millimetres(CardValue(530)) == 530
    assert values.millimetres(_commented(0.53, "[m] focal length")) == pytest.approx(530)
    assert values.millimetres(CardValue(0.0)) is None
    assert values.millimetres(_commented(53, "[cm]")) == pytest.approx(530)
    assert values.millimetres(_commented(530, "[mm]")) == 530
    assert values.millimetres(CardValue(0.5)) == 0.5
    assert values.microns(CardValue(3.76)) == 3.76
    assert values.microns(_commented(3.76, "[um]")) == 3.76
    assert values.microns(_commented(0.00376, "[mm]")) == pytest.approx(3.76)
    assert values.microns(CardValue(0)) is None
    assert values.millimetres(CardValue(-1)) is None
    assert values.microns(CardValue(-3.76)) is None


def test_an_exposure_below_zero_is_not_known():
    assert values.seconds(CardValue(-1.0)) is None
    assert values.seconds(_commented(-5, "[min]")) is None
    assert values.seconds(CardValue(0)) == 0


@pytest.mark.parametrize(
    ("value", "comment", "expected_deg"),
    [
        (279.108125, "", 279.108125),
        ("279.108125", "", 279.108125),
        (12.5, "[hours] right ascension", 187.5),
        (12.5, "[h]", 187.5),
        (" 22:04:08", "ra", 331.0333333),
        ("14 29 56.000", "Right Ascension (J2000)", 217.4833333),
        ("22h17m08.571s", "", 334.2857125),
        ("22 17.5", "", 334.375),
        ("00:00:00", "", 0.0),
        (361.0, "", None),
        (360.0, "", 360.0),
        (187.5, "[deg]", 187.5),
        ("24:00:00", "", 360.0),
        (-10.0, "", None),
        ("25:00:00", "", None),
        ("22:61:00", "", None),
        ("-22:00:00", "", None),
        ("217d29m56s", "", 217.4988889),
        ("10°30'00\"", "", 10.5),
        ("twelve", "", None),
        (True, "", None),
    ],
)
def test_right_ascension_is_hours_when_sexagesimal_and_degrees_when_a_number(value, comment, expected_deg):
    got = values.right_ascension_deg(_commented(value, comment))
    assert got is None if expected_deg is None else got == pytest.approx(expected_deg, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "expected_deg"),
    [
        ("-00:55:31", -0.9252778),
        ("+46:52:00.408", 46.86678),
        ("-62 41 05.00", -62.6847222),
        ("46 52 00 S", -46.8666667),
        ("46d52m00s", 46.8666667),
        ("46°52'00\"N", 46.8666667),
        ("S46:52", -46.8666667),
        (-37.4, -37.4),
        ("-37.4", -37.4),
        (90, 90.0),
        (90.1, None),
        ("-46 52 00 S", -46.8666667),
        ("51.2N", 51.2),
        ("51.2 S", -51.2),
        ("S51.2", -51.2),
        ("51.2°", 51.2),
        ("51.2 X", None),
        ("51 N", 51.0),
        ("51.2   N", None),
        ("51.2 ° N", 51.2),
        ("51.2°  N", None),
        ("51.2°° N", None),
        ("51.2 NN", None),
        ("51.2.3 N", None),
        ("N46:52 N", None),
        ("46:60:00", None),
        ("46:59:60", 47.0),
        ("46:59", 46.9833333),
        ("N51.2S", None),
        ("46:52:61", None),
        ("46:52:00 X", None),
    ],
)
def test_latitudes_and_declinations_keep_their_sign_below_one_degree_too(value, expected_deg):
    got = values.latitude_deg(CardValue(value))
    assert got is None if expected_deg is None else got == pytest.approx(expected_deg, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "expected_deg"),
    [
        ("-96:27:11.8008", -96.453278),
        ("96 27 11.8 W", -96.4532778),
        ("-01:54:00 W", -1.9),
        ("W -1 54 00", -1.9),
        ("W 1 54 00", -1.9),
        ("E -1 54 00", -1.9),
        ("1.9W", -1.9),
        ("-1.9W", -1.9),
        ("1.9 E", 1.9),
        ("W1.9", -1.9),
        ("01h07m36s", 16.9),
        ("-01h07m36s", -16.9),
        ("16d54m00s", 16.9),
        (116.8599, 116.8599),
        (200.0, -160.0),
        (-200.0, 160.0),
        (180.0, 180.0),
        (-180.0, 180.0),
        (180.5, -179.5),
        (360, 0.0),
        (361, None),
        (400, None),
    ],
)
def test_longitudes_keep_the_header_s_sign_and_come_within_180_degrees(value, expected_deg):
    got = values.longitude_deg(CardValue(value))
    assert got is None if expected_deg is None else got == pytest.approx(expected_deg, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "expected"),
    [(1.0, 1.0), (0.99, 0.99), (0.98, None), (38, 38.0), (50, 50.0), (51, None), (0, None), (-1, None)],
)
def test_an_airmass_below_the_zenith_s_is_none(value, expected):
    assert values.airmass(CardValue(value)) == expected


@pytest.mark.parametrize(
    ("value", "expected_deg"), [(87.5, 87.5), (-360, -360.0), (360.0, 360.0), (361, None), ("87:30:00", 87.5)]
)
def test_a_rotation_is_at_most_a_whole_turn(value, expected_deg):
    assert values.rotation_deg(CardValue(value)) == expected_deg


def test_minutes_and_seconds_make_an_angle_sexagesimal():
    assert values.is_sexagesimal(CardValue("14 29 56"))
    assert not values.is_sexagesimal(CardValue("14.4989"))
    assert not values.is_sexagesimal(CardValue(14.4989))


_READERS = [
    values.text,
    values.number,
    values.count,
    values.seconds,
    values.millimetres,
    values.microns,
    values.deg_c,
    values.latitude_deg,
    values.longitude_deg,
    values.rotation_deg,
    values.right_ascension_deg,
    values.airmass,
]


@given(
    st.one_of(
        st.text(max_size=70),
        st.integers(),
        st.floats(),
        st.complex_numbers(),
        st.booleans(),
        st.just(1.7e308),
    ),
    st.text(max_size=60) | st.just(" 1 / [min]") | st.just(" 1 / (F)") | st.just(" 1 / [h]"),
)
def test_no_reader_raises_or_gives_what_is_not_finite(value, field):
    for read in _READERS:
        got = read(CardValue(value, field))
        assert got is None or isinstance(got, str) or math.isfinite(got)
