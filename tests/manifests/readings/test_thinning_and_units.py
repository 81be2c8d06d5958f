"""Readings made fewer without losing a first, last, lowest, highest or count; units and their signs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.thinning import BUCKET_US, ReadingRecord, Thinning
from manifests.readings.units import (
    conversion,
    decimals_among,
    number_shown,
    per_hour,
    unit_named,
    unit_shown,
)

READINGS = st.lists(st.tuples(st.integers(0, 30 * BUCKET_US), st.integers(0, 1), st.floats(-50, 50)))


@given(READINGS)
def test_the_extremes_and_the_count_stay_exact(readings):
    records: list[tuple[int, ReadingRecord]] = []
    thinning = Thinning(lambda quantity, record: records.append((quantity, record)))
    for reading in readings:
        thinning.reading(*reading)
    thinning.close()
    for quantity in (0, 1):
        values = [value for _, of, value in readings if of == quantity]
        mine = [record for of, record in records if of == quantity]
        assert sum(record.count for record in mine) == len(values)
        if values:
            assert min(record.lowest for record in mine) == min(values)
            assert max(record.highest for record in mine) == max(values)
            assert mine[0].first == values[0]
            assert mine[-1].last == values[-1]


def test_readings_further_apart_than_the_bucket_stay_as_they_are():
    records: list[ReadingRecord] = []
    thinning = Thinning(lambda _, record: records.append(record))
    for number in range(5):
        thinning.reading(number * BUCKET_US, 0, number)
    thinning.close()
    assert [(one.moment_us, one.first, one.count) for one in records] == [
        (n * BUCKET_US, n, 1) for n in range(5)
    ]


def test_a_thousand_readings_in_ten_seconds_are_one_record():
    records: list[ReadingRecord] = []
    thinning = Thinning(lambda _, record: records.append(record))
    for number in range(1000):
        thinning.reading(number * 9999, 0, float(number))
    thinning.close()
    assert records == [ReadingRecord(0, 0, 999, 0, 999, 1000)]


def test_signs_have_the_names_that_astropy_knows():
    signs = ("°C", "°F", "%", "hPa", "m/s", "", "px", " V ")
    assert [unit_named(sign) for sign in signs] == ["deg_C", "deg_F", "%", "hPa", "m/s", "", "pix", "V"]
    assert unit_shown("deg_C") == "°C"
    with pytest.raises(ValueError, match="knows no unit 'frost'"):
        unit_named("frost")


@pytest.mark.parametrize(
    ("unit", "named", "shown"),
    [("deg_C", "deg_C/h", "°C/h"), ("m/s", "(m/s)/h", "(m/s)/h"), ("", "1/h", "/h")],
)
def test_a_fall_per_hour_has_its_hour(unit, named, shown):
    assert per_hour(unit) == named
    assert unit_shown(named) == shown


@pytest.mark.parametrize(
    ("values", "shown"),
    [
        ((-5.2, 9.913), ["-5.2", "9.9"]),
        ((12.78, 13.08), ["12.78", "13.08"]),
        ((0.4832, 0.2513), ["0.48", "0.25"]),
        ((12217.0, 12612.0), ["12217", "12612"]),
        ((-66.27, 50.92), ["-66", "51"]),
        ((-0.004, 4.0), ["0.0", "4.0"]),
        ((8.0, 3.0), ["8", "3"]),
        ((7.123456, 7.123456), ["7.12", "7.12"]),
    ],
)
def test_numbers_beside_each_other_have_the_digits_that_tell_them_apart(values, shown):
    decimals = decimals_among(values)
    assert [number_shown(value, decimals) for value in values] == shown


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=5))
def test_any_numbers_can_be_shown(values):
    decimals = decimals_among(values)
    assert all(0 < len(number_shown(value, decimals)) < 20 for value in values)


def test_units_that_measure_different_things_cannot_become_one_another():
    with pytest.raises(ValueError, match="V cannot become deg_C"):
        conversion("V", "deg_C")
