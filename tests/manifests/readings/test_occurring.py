"""Where failures came: rare values stand out, and what a failure's own moment makes rare does not.

As a program (`python -m tests.manifests.readings.test_occurring SETS`) it says how often something is called
sure where failures come at any time, and how often a planted cause is found by how many failures.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pytest

from manifests.readings import redrawing
from manifests.readings.answers import answers
from manifests.readings.comparing import Comparison, Side
from manifests.readings.happenings import MINUTE_US, Failure, Span
from manifests.readings.occurring import Occurrence, occurrences
from manifests.readings.redrawing import DRAWN, Draws, distance, distances, drawn
from manifests.readings.sentences import occurrence_words
from manifests.readings.series import HOUR_US, Series, series_of
from manifests.readings.watched import Watched

AIR, HUMIDITY = ("air temperature", "deg_C"), ("humidity", "%")
HOURS = 10


def fall(first: float, per_hour: float, hours: float = HOURS) -> Series:
    points = [(step * HOUR_US // 6, first - per_hour * step / 6) for step in range(round(hours * 6))]
    return series_of("mast", *AIR, points)


def night(failed_h: float | None, *series: Series, event: str = "hub lost") -> Watched:
    first = None if failed_h is None else Failure(round(failed_h * HOUR_US), event, 1)
    return Watched(Span(0, HOURS * HOUR_US), first, {(one.quantity, one.unit): one for one in series})


def cold_nights() -> list[Watched]:
    """Three nights that fail as soon as it is colder than 1 °C, at different hours, and four mild ones."""
    cold = [night(first - 1, fall(first, 1.0)) for first in (5.0, 7.0, 9.0)]
    return [*cold, *(night(None, fall(first, 0.5)) for first in (9.0, 10.0, 11.0, 12.0))]


def of(found: Sequence[Occurrence], quantity: str) -> Occurrence:
    return next(one for one in found if one.quantity == quantity)


def test_failures_at_values_that_the_nights_seldom_had_stand_out():
    (found,) = occurrences(cold_nights())
    assert (found.side, found.sure, found.values) == (Side.BELOW, True, pytest.approx((1.0, 1.0, 1.0)))
    assert found.share < 0.02
    assert found.chance_corrected >= found.chance > 0
    assert "shows no cause" in occurrence_words(found, 1)


def test_failures_at_usual_values_do_not():
    nights = [night(hours, fall(10.0, 1.0)) for hours in (5.0, 8.0, 2.0, None, None)]
    (found,) = occurrences(nights)
    assert not found.sure
    assert found.chance > 0.2
    assert "proves nothing" in occurrence_words(found, 1)


def test_one_failure_in_a_falling_temperature_is_no_rarity():
    """The moment of a failure is the coldest so far in any night that grows colder."""
    finely = series_of("mast", *AIR, ((n * MINUTE_US, 10 - n / 60) for n in range(HOURS * 60)))
    (found,) = occurrences([night(6.0, finely)])
    assert found.share < 0.01
    assert not found.sure
    assert found.chance > 0.2


def test_a_failure_that_came_once_is_never_sure_however_rare_its_value():
    """In one night a failure drawn anew, with about as long before it, is always about where it was."""
    warm = [(5 * minute * MINUTE_US, 5.0 + minute % 7) for minute in range(96)]
    warm[60] = (warm[60][0], 1.0)
    (found,) = occurrences([night(5.0, series_of("mast", *AIR, warm))])
    assert found.values == (1.0,)
    assert not found.sure
    assert found.chance >= 2 * found.share
    assert "came once, which proves nothing" in occurrence_words(found, 1)
    assert "Sure" not in " ".join(answers(Comparison((), 0, 0, 0), [found]))


def test_many_quantities_make_a_rare_value_less_rare():
    rng = random.Random(4)
    nights = cold_nights()
    alone = of(occurrences(nights), "air temperature").chance_corrected
    for number in range(20):
        for each in nights:
            points = [(n * HOUR_US // 6, rng.gauss(0, 1)) for n in range(HOURS * 6)]
            each.series[f"q{number}", ""] = series_of("mast", f"q{number}", "", points)
    among = of(occurrences(nights), "air temperature")
    assert among.chance_corrected > alone
    assert among.chance == pytest.approx(alone, abs=0.01)


def test_what_only_goes_with_the_rarest_is_said_to():
    nights = cold_nights()
    for each in nights:
        air = each.series[AIR]
        box = [(one.moment_us, 2.4 + one.first) for one in air.records]
        each.series["box temperature", "deg_C"] = series_of("box", "box temperature", "deg_C", box)
        each.series["wind", ""] = series_of(
            "mast", "wind", "", ((n * HOUR_US // 6, n % 5) for n in range(60))
        )
    found = occurrences(nights)
    box, air, wind = (of(found, name) for name in ("box temperature", "air temperature", "wind"))
    assert {box.follows, air.follows} == {"", found[0].quantity}
    assert (box.at_floor, air.at_floor) == (True, True)
    assert (wind.follows, wind.at_floor) == ("", False)
    told = answers(Comparison((), 0, 0, 0), found)[0]
    assert f"With it goes {found[1].quantity} at" in told
    assert "About as clearly" not in told


def test_other_time_is_told_without_the_failures_own_readings():
    (found,) = occurrences(cold_nights())
    assert found.share > 0
    assert (found.share_otherwise, found.oldest_s) == (0, 0)
    assert found.next_value == pytest.approx(1 + 1 / 6), "ten minutes before a failure"
    late = night(4.0, fall(5.0, 1.0, hours=3.6))
    (again,) = occurrences([*cold_nights(), late, night(None, fall(9.0, 0.9))])
    assert again.share_otherwise > 0, "another night was as cold, and did not fail"
    assert (again.next_value, again.oldest_s) == (None, 30 * 60)


def test_a_dew_point_that_follows_the_cold_comes_after_it():
    nights = cold_nights()
    for each in nights:
        dew = [(one.moment_us, one.first - 3) for one in each.series[AIR].records]
        first = {("dew point", "deg_C"): series_of("mast", "dew point", "deg_C", dew)}
        assert isinstance(each.series, dict)
        others = dict(each.series)
        each.series.clear()
        each.series.update(first | others)
    found = occurrences(nights)
    assert [(one.quantity, one.derived, one.follows) for one in found] == [
        ("air temperature", False, ""),
        ("dew point", True, "air temperature"),
    ]


def test_each_kind_of_failure_is_tried_by_itself():
    nights = [*cold_nights(), night(3.0, fall(10.0, 0.5), event="mount stopped")]
    found = occurrences(nights)
    assert {one.event: len(one.values) for one in found} == {"hub lost": 3, "mount stopped": 1}
    for one in found:
        assert one.chance_corrected >= min(1.0, 2 * one.chance)


def test_readings_that_end_with_the_failure_and_nights_without_any_break_nothing():
    ended = night(4.0, fall(9.0, 1.0, hours=4.0))
    bare = night(2.0)
    late = night(9.0, fall(9.0, 1.0, hours=1.0))  # no reading is near the failure
    (found,) = occurrences([ended, bare, late, night(None), night(None, fall(9.0, 0.2))])
    assert len(found.values) == 1
    assert occurrences([bare, night(None)]) == ()
    assert occurrences([]) == ()


OTHERS = 10  # quantities of noise beside the temperature


def wandering(rng: random.Random, quantity: str) -> Series:
    own = value = rng.gauss(0, 1)
    points = []
    for step in range(HOURS * 6):
        points.append((step * HOUR_US // 6, value))
        value = own + 0.9 * (value - own) + 0.2 * rng.gauss(0, 1)
    return series_of("mast", quantity, "", points)


def of_a_winter(rng: random.Random, cold_hurts: bool) -> Watched:
    """Return a night that falls ever slower, with noise beside it; it fails below 1 °C, or at any time."""
    first, depth = rng.uniform(2, 11), rng.uniform(4, 7)
    air = [first - depth * (1 - math.exp(-n / 24)) + rng.gauss(0, 0.1) for n in range(HOURS * 6)]
    failed_h = rng.expovariate(0.1)
    if cold_hurts:
        failed_h = next((n / 6 + 0.02 for n, value in enumerate(air) if n > 6 and value < 1), math.inf)
    there = series_of("mast", *AIR, ((n * HOUR_US // 6, value) for n, value in enumerate(air)))
    others = (wandering(rng, f"q{number}") for number in range(OTHERS))
    return night(failed_h if failed_h < HOURS else None, there, *others)


def planted(rng: random.Random, failures: int, others: int) -> list[Watched]:
    """Return so many nights that failed in the cold, and so many others that never were as cold."""
    left = {True: failures, False: others}
    nights = []
    while any(left.values()):
        one = of_a_winter(rng, cold_hurts=True)
        if left[one.first is not None]:
            left[one.first is not None] -= 1
            nights.append(one)
    return nights


def test_a_cause_is_found_by_four_failures_in_eight_nights(monkeypatch):
    monkeypatch.setattr(redrawing, "DRAWN", 399)
    rng = random.Random(11)
    assert sum(of(occurrences(planted(rng, 4, 4)), "air temperature").sure for _ in range(10)) >= 8


@pytest.mark.parametrize(("after", "nights"), [(True, 2), (True, 6), (False, 2), (False, 6)])
def test_failures_that_come_at_any_time_are_rarely_called_rare(after, nights, monkeypatch):
    """Temperatures that fall all night, with failures whenever; readings that go on after them, or end."""
    monkeypatch.setattr(redrawing, "DRAWN", 399)
    rng = random.Random(3)
    sure = made = 0
    while made < 100:
        some = []
        for _ in range(nights):
            failed_h = rng.expovariate(0.15)
            hours = HOURS if after else min(failed_h, HOURS)
            series = fall(rng.uniform(0, 12), rng.uniform(0.3, 1.2), hours)
            some.append(night(failed_h if failed_h < HOURS else None, series))
        found = occurrences(some)
        made += bool(found)
        sure += any(one.sure for one in found)
    assert sure <= 10, "one in twenty, and what chance adds to that in a hundred sets"


def test_as_many_failures_are_drawn_as_happened_each_night_as_likely_as_it_is_long():
    cells = [10, 40, 40]
    happened = Draws(np.array([[False, True, True]]), np.array([[9, 19, 29]]))
    draws = drawn(cells, happened)
    assert (draws.failed.sum(axis=1) == 2).all()
    assert (draws.last < np.array(cells)).all()
    whole = np.broadcast_to(np.array(cells) - 1, draws.last.shape)
    assert (draws.last[~draws.failed] == whole[~draws.failed]).all()
    at_risk = (draws.last + 1).sum(axis=1)
    assert abs(at_risk - 60).max() <= 8, "all the time at risk is about what it was"
    short = draws.failed[:, 0].mean()
    assert short < draws.failed[:, 1].mean()
    assert draws.failed[:, 1].mean() == pytest.approx(draws.failed[:, 2].mean(), abs=0.06)
    again = drawn(cells, happened)
    assert (again.last == draws.last).all()


def test_each_draw_is_measured_as_what_happened_is():
    rng = np.random.default_rng(5)
    lengths = [40, 25, 60, 33]
    grid = np.full((4, 60), math.nan)
    for row, cells in enumerate(lengths):
        grid[row, 5 * row : cells] = np.round(
            rng.normal(size=cells - 5 * row), 1
        )  # the first cells have none
    draws = drawn(lengths, Draws(np.array([[True, False, True, True]]), np.array([[20, 24, 50, 11]])))
    measured = distances(grid, draws)
    for number in range(200):
        one = Draws(draws.failed[[number]], draws.last[[number]])
        values = np.where(one.failed[0], grid[np.arange(4), one.last[0]], math.nan)
        alone = distance(grid, one, values, [False] * 4) if np.isfinite(values).any() else -math.inf
        assert measured[number] == pytest.approx(alone)


def test_what_no_draw_comes_as_far_as_is_looked_at_in_more_of_them():
    (found,) = occurrences(cold_nights())
    assert found.at_floor
    assert found.chance == pytest.approx(1 / (10 * DRAWN + 1))
    (usual,) = occurrences([night(hours, fall(10.0, 1.0)) for hours in (5.0, 8.0, 2.0, None, None)])
    assert usual.chance * (DRAWN + 1) == pytest.approx(round(usual.chance * (DRAWN + 1)))


def test_where_failures_are_many_fewer_draws_must_do():
    many = Draws(np.ones((1, 60), dtype=bool), np.full((1, 60), 9))
    assert len(drawn([20] * 60, many, 10).last) == DRAWN


def test_which_nights_fail_is_drawn_as_by_counting_every_choice():
    from manifests.readings.redrawing import _chosen

    chances, many = np.array([0.1, 0.5, 0.7, 0.9]), 2
    dice = np.random.default_rng(1).random((20_000, 4))
    chosen = _chosen(chances, many, dice)
    weights = {}
    for nights in combinations(range(4), many):
        fails = np.isin(range(4), nights)
        weights[nights] = float(np.where(fails, chances, 1 - chances).prod())
    for nights, weight in weights.items():
        share = (chosen == np.isin(range(4), nights)).all(axis=1).mean()
        assert share == pytest.approx(weight / sum(weights.values()), abs=0.015)


def noise_called_sure(sets: int, nights: int) -> float:
    """Return the share of sets of nights with a failure at any time in which something is called sure."""
    rng = random.Random(3)
    sure = made = 0
    while made < sets:
        found = occurrences([of_a_winter(rng, cold_hurts=False) for _ in range(nights)])
        made += bool(found)
        sure += any(one.sure for one in found)
    return sure / sets


def cause_found(sets: int, failures: int, others: int) -> float:
    """Return the share of sets of nights with a planted cause in which it is called sure."""
    rng = random.Random(5)
    found = (of(occurrences(planted(rng, failures, others)), AIR[0]) for _ in range(sets))
    return sum(one.sure for one in found) / sets


if __name__ == "__main__":
    redrawing.DRAWN = 999
    asked = int(sys.argv[1])
    for many in (2, 3, 5, 10):
        print(f"{many} nights of chance: something is called sure in {noise_called_sure(asked, many):.1%}")
    for failed, well in ((1, 9), (2, 2), (2, 6), (3, 3), (4, 4), (5, 5)):
        print(f"cause of {failed} in {failed + well} nights: found in {cause_found(asked, failed, well):.0%}")
