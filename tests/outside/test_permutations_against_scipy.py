"""Permutation probabilities against scipy's exact tests, and a case known from practice.

Sources: scipy.stats.permutation_test (all permutations) and mannwhitneyu(method="exact"). The five nights
are common practice, no published source: the temperatures of a session's focus runs, °C.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from manifests.readings.comparing import Measure, Side, Statistic, compare
from manifests.readings.permutations import chances, corrected_chances
from manifests.readings.sentences import separation_words

VALUES = st.lists(st.integers(-5, 5).map(float), min_size=2, max_size=5)
DISTINCT = st.lists(st.floats(-50, 50), min_size=4, max_size=12, unique=True)


def rank_sum(marked, others, axis):
    ranks = stats.rankdata(np.concatenate([marked, others], axis=axis), axis=axis)
    return ranks.take(range(marked.shape[axis]), axis=axis).sum(axis=axis)


@given(VALUES, VALUES)
def test_equal_values_and_all_the_permutation_test_says_the_same(marked, others):
    found = chances(marked, others)
    for side, alternative in (("below", "less"), ("above", "greater"), ("either", "two-sided")):
        expected = stats.permutation_test(
            (np.array(marked), np.array(others)),
            rank_sum,
            permutation_type="independent",
            vectorized=True,
            n_resamples=np.inf,
            alternative=alternative,
        )
        assert getattr(found, side) == pytest.approx(expected.pvalue, abs=1e-12)


@given(DISTINCT, st.data())
def test_without_equal_values_the_exact_rank_test_says_the_same(values, data):
    cut = data.draw(st.integers(1, len(values) - 1))
    marked, others = values[:cut], values[cut:]
    found = chances(marked, others)
    for side, alternative in (("below", "less"), ("above", "greater"), ("either", "two-sided")):
        expected = stats.mannwhitneyu(marked, others, alternative=alternative, method="exact")
        assert getattr(found, side) == pytest.approx(expected.pvalue, abs=1e-12)


@given(DISTINCT, st.data())
def test_one_quantity_alone_needs_no_correction(values, data):
    cut = data.draw(st.integers(1, len(values) - 1))
    marked = np.arange(len(values)) < cut
    found = chances(values[:cut], values[cut:])
    assume(found.either < 1.0)
    for side, chance in ((0, found.either), (-1, found.below), (1, found.above)):
        assert corrected_chances(np.array([values]), marked, [side]) == pytest.approx([chance], abs=1e-9)


POOR = [True, False, False, False, True]
FIRST, LAST = (1.8, 8.0, 13.0, 11.0, 0.8), (-2.8, 3.0, 4.0, 0.8, -0.5)
FIVE = [
    Measure("focus temperature", "deg_C", Statistic.LOWEST, LAST),
    Measure("focus temperature", "deg_C", Statistic.HIGHEST, FIRST),
    Measure("focus temperature", "deg_C", Statistic.FIRST, FIRST),
    Measure("focus temperature", "deg_C", Statistic.LAST, LAST),
]


def test_the_five_known_nights_are_parted_by_their_lowest_temperature_and_nothing_is_called_proven():
    found = compare(FIVE, POOR)
    lowest = next(one for one in found.separations if one.measure.statistic is Statistic.LOWEST)
    assert (lowest.poor_side, lowest.whole.between, lowest.whole.exceptions) == (Side.BELOW, (-0.5, 0.8), ())
    assert (lowest.whole.chances.below, lowest.whole.chances.either) == pytest.approx((0.1, 0.2))
    assert lowest.whole.between[0] < 1.0, "the trade's rule of thumb for such a computer is about 1 °C"
    assert lowest.chance == pytest.approx(0.2)
    assert lowest.chance_corrected >= 0.2
    assert not lowest.sure
    words = separation_words(lowest, found)
    assert "between -0.5 °C and 0.8 °C" in words
    assert "once in 10 in this direction" in words
    assert "twice in 10 in either" in words
    assert "proves nothing yet" in words
    assert "would make it sure" in words


def test_what_was_expected_beforehand_needs_fewer_nights():
    key = ("focus temperature", Statistic.LOWEST)
    found = compare(FIVE, POOR, {key: Side.BELOW})
    (lowest,) = found.separations
    assert (found.tried, lowest.chance, lowest.chance_corrected) == (
        1,
        pytest.approx(0.1),
        pytest.approx(0.1),
    )
    assert not lowest.sure
    assert "About 1 more poor night" in separation_words(lowest, found)
    six = [Measure(*key[:1], "deg_C", key[1], (*LAST, -1.0))]
    assert compare(six, [*POOR, True], {key: Side.BELOW}).separations[0].sure
    assert not compare(six, [*POOR, True]).separations[0].sure, "not to either side"
    assert compare(six, [*POOR, True], {key: Side.ABOVE}).separations == ()
