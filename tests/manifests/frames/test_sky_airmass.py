"""Airmass: shape, range and order."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from manifests.frames.sky import airmass_at


@given(st.floats(-0.57, 90.0), st.floats(-0.57, 90.0))
def test_a_lower_target_is_seen_through_no_less_air(one, other):
    low, high = sorted((one, other))
    assert airmass_at(low) >= airmass_at(high)
    assert 0.999 < airmass_at(high) < 38.5


def test_every_step_down_is_more_air():
    assert (np.diff(airmass_at(np.linspace(90.0, 0.0, 901))) > 0).all()


@given(st.floats(max_value=-0.5701) | st.just(float("nan")) | st.floats(min_value=90.000001))
def test_there_is_no_airmass_where_nothing_is_seen_or_without_an_altitude(altitude):
    assert np.isnan(airmass_at(altitude))


def test_scalars_gaps_and_empty_columns_keep_their_shape():
    assert np.shape(airmass_at(45.0)) == ()
    assert np.shape(airmass_at(None)) == ()
    assert np.shape(airmass_at([])) == (0,)
    assert np.isnan(airmass_at([None, 45.0])).tolist() == [True, False]
