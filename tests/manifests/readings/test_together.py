"""Quantities that go up and down together through nights, and those that do not."""

from __future__ import annotations

import math
import random

import pytest

from manifests.readings.series import HOUR_US, Series, series_of
from manifests.readings.together import go_together, rank_correlation

stats = pytest.importorskip("scipy.stats", reason="there is no scipy for the Python that runs these tests")

STEP_US = HOUR_US // 6


def night(quantity: str, values: list[float], step_us: int = STEP_US) -> Series:
    return series_of("box", quantity, "", ((n * step_us, value) for n, value in enumerate(values)))


def falling(first: float) -> list[float]:
    return [first - 5 * (1 - math.exp(-n / 20)) for n in range(60)]


def test_a_box_that_follows_the_air_goes_with_it_and_so_does_what_rises_as_it_falls():
    firsts = (2.0, 8.0, 5.0)
    pairs = [(night("air", falling(f)), night("box", [v + 2 for v in falling(f)])) for f in firsts]
    assert go_together(pairs)
    assert go_together([(night("air", falling(f)), night("x", [-v for v in falling(f)])) for f in firsts])
    assert not go_together(pairs[:2]), "two nights are too few"


def test_what_wanders_by_itself_does_not_go_with_the_air():
    rng = random.Random(1)
    pairs = [
        (night("air", falling(f)), night("wind", [rng.gauss(0, 1) for _ in range(60)])) for f in (2, 5, 8)
    ]
    assert not go_together(pairs)


def test_what_falls_in_every_night_from_elsewhere_does_not_go_with_the_air():
    firsts = ((2.0, 9.0), (5.0, 1.0), (9.0, 5.0), (1.0, 30.0))
    assert not go_together([(night("air", falling(a)), night("x", falling(b))) for a, b in firsts])


def test_few_moments_in_common_and_nights_without_readings_say_nothing():
    few = [(night("air", falling(first)[:3]), night("box", falling(first)[:3])) for first in (2.0, 5.0, 8.0)]
    assert not go_together(few)
    assert go_together([*few, few[0]])
    assert not go_together([(None, night("box", falling(4))), (night("air", falling(4)), None)] * 3)
    close = [float(n) for n in range(50)]
    assert not go_together([(night("air", close, HOUR_US // 99), night("box", close, HOUR_US // 99))] * 3)


@pytest.mark.parametrize("seed", range(5))
def test_the_correlation_is_that_of_scipy(seed):
    rng = random.Random(seed)
    one = [rng.randrange(6) for _ in range(30)]
    other = [value + rng.randrange(4) for value in one]
    assert rank_correlation(one, other) == pytest.approx(stats.spearmanr(one, other).statistic)
    assert rank_correlation(one, [3.0] * 30) == 0.0
