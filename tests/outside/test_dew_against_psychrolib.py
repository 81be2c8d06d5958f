"""Dew points against a published table and a packaged psychrometric library.

Sources: the values of three Magnus formulas and of PsychroLib 2.5 (ASHRAE Handbook of Fundamentals 2017,
chapter 1, whose equation for the dew point it solves); the table's values were computed with the
coefficients of WMO-No. 8 (17.62, 243.12 °C) and kept in the project's notes. Tolerance 0.02 °C.
"""

from __future__ import annotations

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.dew import dew_point_deg_c

TABLE = [(20.0, 50.0, 9.261, 9.255), (25.0, 60.0, 16.698, 16.693), (10.0, 80.0, 6.708, 6.706)]


@pytest.mark.parametrize(("air", "humidity", "alduchov_eskridge", "wmo"), TABLE)
def test_the_table(air, humidity, alduchov_eskridge, wmo):
    assert dew_point_deg_c(air, humidity) == pytest.approx(alduchov_eskridge, abs=0.001)
    assert dew_point_deg_c(air, humidity) == pytest.approx(wmo, abs=0.02)


@pytest.fixture(autouse=True)
def _si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


@given(st.floats(2, 35), st.floats(50, 100))
def test_the_library_says_the_same_above_freezing(air, humidity):
    expected = psychrolib.GetTDewPointFromRelHum(air, humidity / 100)
    if expected > 0:  # below, the library's is a frost point, over ice
        assert dew_point_deg_c(air, humidity) == pytest.approx(expected, abs=0.02)
