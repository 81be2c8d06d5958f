"""Dew points against a published table and a packaged psychrometric library.

Sources: the values of three Magnus formulas and of PsychroLib 2.5 (ASHRAE Handbook of Fundamentals 2017,
chapter 1, whose equation for the dew point it solves); the table's values were computed with the
coefficients of WMO-No. 8 (17.62, 243.12 °C) and kept in the project's notes. Tolerance 0.02 °C.

The pressures of saturated steam over water are those of the steam tables (IAPWS-95, as NIST prints it), from
memory, and once compared with the package iapws 1.5 (IF97), which says the same to 1 in 10,000.
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


# °C: kPa.
SATURATED = {5.0: 0.8726, 10.0: 1.2282, 15.0: 1.7058, 20.0: 2.3393, 25.0: 3.1699, 30.0: 4.2470}


@pytest.mark.parametrize("air", [10.0, 20.0, 30.0])
def test_the_steam_tables(air):
    """Air with the vapour that saturates it at another temperature has its dew point there."""
    for dew_point, pressure in SATURATED.items():
        if dew_point <= air:
            humidity = 100 * pressure / SATURATED[air]
            assert dew_point_deg_c(air, humidity) == pytest.approx(dew_point, abs=0.02)


@pytest.fixture(autouse=True)
def _si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


@given(st.floats(2, 35), st.floats(50, 100))
def test_the_library_says_the_same_above_freezing(air, humidity):
    expected = psychrolib.GetTDewPointFromRelHum(air, humidity / 100)
    if expected > 0:  # below, the library's is a frost point, over ice
        assert dew_point_deg_c(air, humidity) == pytest.approx(expected, abs=0.02)
