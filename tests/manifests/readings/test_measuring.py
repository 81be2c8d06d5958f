"""What the number of a night's readings, or the hours after a failure, alone would say is not compared.

As a program (`python -m tests.manifests.readings.test_measuring SETS`) it says how often something is called
sure in sets of nights with failures at random hours.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from manifests.readings.comparing import Measure, Side, Statistic, compare
from manifests.readings.measuring import Observed, measured
from manifests.readings.series import HOUR_US, Series, series_of

STEP_US = HOUR_US // 6
POOR = [True] * 7 + [False] * 7


def night(values: Sequence[float], starts_us: int = 0) -> Series:
    return series_of("frames", "q", "", ((starts_us + n * STEP_US, value) for n, value in enumerate(values)))


def nights(made: Callable[[int], Sequence[float]], counts: Sequence[int], poor: Sequence[bool] = POOR):
    return [Observed(night(made(count)), 0, is_poor) for count, is_poor in zip(counts, poor, strict=True)]


def whole(measures: Sequence[Measure], statistic: Statistic) -> Measure:
    return next(one for one in measures if one.statistic is statistic and one.hours is None)


def test_nights_with_as_many_readings_have_all_statistics_of_the_whole_night():
    measures, uneven = measured("q", "m/s", nights(range, [20] * 7 + [21] * 7))
    assert uneven is None
    assert [(one.statistic, one.not_on, one.hours) for one in measures] == [
        (s, None, None) for s in Statistic
    ]
    assert [one.unit for one in measures] == ["m/s"] * 4 + ["(m/s)/h"]


@pytest.mark.parametrize(("poor_count", "fewer"), [(4, True), (60, False)])
def test_an_extreme_counts_only_on_the_side_that_the_number_of_readings_works_against(poor_count, fewer):
    measures, uneven = measured("q", "", nights(range, [poor_count] * 7 + [30] * 7))
    assert (uneven.poor_have_fewer, uneven.hours) == (fewer, None if fewer else (0, pytest.approx(29 / 6)))
    lowest, highest = whole(measures, Statistic.LOWEST), whole(measures, Statistic.HIGHEST)
    assert lowest.not_on is (Side.ABOVE if fewer else Side.BELOW)
    assert highest.not_on is (Side.BELOW if fewer else Side.ABOVE)
    assert whole(measures, Statistic.FIRST).not_on is None
    assert {one.statistic for one in measures if one.hours is None} == {
        Statistic.LOWEST,
        Statistic.HIGHEST,
        Statistic.FIRST,
    }


def test_hours_that_all_nights_have_are_compared_by_themselves():
    """Nights of winter are longer and colder: the cold is found, and not for the length of the nights."""
    cold = [Observed(night([-n / 6 for n in range(90)]), 0, True) for _ in range(2)]
    mild = [Observed(night([8 - n / 6 for n in range(60)]), 0, False) for _ in range(3)]
    measures, uneven = measured("q", "deg_C", [*cold, *mild])
    assert uneven.hours == (0, pytest.approx(59 / 6))
    (lowest,) = (one for one in measures if one.statistic is Statistic.LOWEST and one.hours)
    assert lowest.values == pytest.approx([-59 / 6] * 2 + [8 - 59 / 6] * 3)
    found = compare(measures, [True, True, False, False, False])
    below = [one.measure.what for one in found.separations if one.measure.statistic is Statistic.LOWEST]
    assert below == ["lowest, 0.0 to 9.8 h after sunset"]


def test_what_is_expected_of_the_whole_night_is_tried_in_the_hours_in_common_where_only_they_count():
    longer = nights(lambda count: [-float(n) for n in range(count)], [60] * 2 + [30] * 3, POOR[5:10])
    measures, _ = measured("q", "", longer)
    found = compare(measures, POOR[5:10], {("q", Statistic.LOWEST): Side.BELOW})
    assert found.tried == 1
    counts = compare(measures, POOR[5:10], {("q", Statistic.LOWEST): Side.ABOVE})
    assert counts.tried == 1


def test_a_night_without_readings_and_nights_of_one_kind_break_nothing():
    none = Observed(None, 0, True)
    assert measured("q", "", [none, none])[1] is None
    measures, _ = measured("q", "", [none, Observed(night([1.0, 2.0]), 0, False)])
    assert whole(measures, Statistic.LOWEST).values == (None, 1.0)


def noise(rng: random.Random) -> Callable[[int], list[float]]:
    return lambda count: [rng.gauss(-10, 0.1) for _ in range(count)]


def test_noise_of_which_failed_nights_have_less_is_called_sure_in_at_most_one_set_in_twenty():
    """A sensor's temperature in nights that end early: without the rule most sets would be called sure."""
    rng = random.Random(20260314)
    sure = naive = 0
    for _ in range(300):
        counts = [rng.randrange(2, 9) for _ in range(7)] + [34] * 7
        measures, _ = measured("sensor temperature", "deg_C", nights(noise(rng), counts))
        sure += any(one.sure for one in compare(measures, POOR).separations)
        extremes = (whole(measures, one) for one in (Statistic.LOWEST, Statistic.HIGHEST))
        plain = [replace(one, not_on=None) for one in extremes]
        naive += any(one.sure for one in compare(plain, POOR).separations)
    assert naive > 200, "the trap is there"
    assert sure <= 300 * 0.05


# With failures: 20 hours' half of readings, every half hour, and in the poor nights a failure at any time.
HALF_US, HALVES = HOUR_US // 2, 20


def halves(values: Sequence[float]) -> Series:
    return series_of("box", "q", "", ((n * HALF_US, value) for n, value in enumerate(values)))


def drifting(rng: random.Random, fall: float = 0.0) -> list[float]:
    """Return a night that starts anywhere, wanders, and falls by so much an hour."""
    found, value = [], rng.gauss(0, 1)
    for _ in range(HALVES):
        found.append(value)
        value += rng.gauss(0, 0.2) - fall / 2
    return found


def failure_hours(rng: random.Random) -> list[float | None]:
    """Return for each night an hour of the poor ones' failures, any time."""
    return [rng.uniform(0.5, HALVES / 2) if is_poor else None for is_poor in POOR]


def failing(rng: random.Random, hours: Sequence[float | None], fall: float = 0.0, jump: float = 0.0):
    """Return nights that fail at these hours; it changes the quantity by `jump` from then on."""
    found = []
    for failed_h, is_poor in zip(hours, POOR, strict=True):
        values = drifting(rng, fall)
        if failed_h is not None:
            values = [value + jump * (n / 2 > failed_h) for n, value in enumerate(values)]
        failed_us = None if failed_h is None else round(failed_h * HOUR_US)
        found.append(Observed(halves(values), 0, is_poor, failed_us))
    return found


def without_failures(observed: Sequence[Observed]) -> list[Observed]:
    return [replace(each, failed_us=None) for each in observed]


@pytest.mark.parametrize(("fall", "jump"), [(0.0, 6.0), (0.0, -6.0), (2.0, 0.0), (2.0, 6.0)])
def test_what_comes_after_a_failure_is_called_sure_in_at_most_one_set_in_twenty(fall, jump):
    """A failure changes the quantity, or comes in one that falls all night: neither explains the failure."""
    rng = random.Random(20260314)
    sure = naive = only_later = 0
    for _ in range(80):
        nights = failing(rng, failure_hours(rng), fall, jump)
        found = compare(measured("q", "", nights)[0], POOR).separations
        sure += any(one.sure for one in found)
        only_later += any(one.later_only for one in found)
        naive += any(
            one.sure for one in compare(measured("q", "", without_failures(nights))[0], POOR).separations
        )
    assert sure <= 80 * 0.1, "one in twenty, and what chance adds to that in 80 sets"
    if jump:
        assert naive > 40, "the trap is there"
        assert only_later > 40


def test_a_shorter_night_alone_parts_nothing():
    """All nights fall alike; in half of them a failure ends what counts at any hour, and nothing is found."""
    rng = random.Random(5)
    falling = [Observed(halves(drifting(rng, 4.0)), 0, poor, 4 * HOUR_US if poor else None) for poor in POOR]
    for one in measured("q", "", falling)[0]:
        for side in Side:
            values = one.before.on(side)
            poor, good = (
                [value for value, is_poor in zip(values, POOR, strict=True) if is_poor is kind]
                for kind in (True, False)
            )
            apart = max(poor) < min(good) if side is Side.BELOW else min(poor) > max(good)
            assert not apart, (one.name, side)


def cold_until_it_fails() -> list[Observed]:
    """Nights that fail as soon as they are below 1, at any hour, and are then heated; others stay above."""
    found = []
    for number, is_poor in enumerate(POOR):
        first = 4.0 + number if is_poor else 13.0 + number % 7 / 10
        values = [first - n / 2 for n in range(HALVES)]
        failed = next((n for n, value in enumerate(values) if value < 1), None) if is_poor else None
        if failed is not None:
            values = [value + 9 * (n > failed) for n, value in enumerate(values)]
        found.append(Observed(halves(values), 0, is_poor, None if failed is None else failed * HALF_US))
    return found


def test_a_cause_is_found_by_the_hours_before_the_failure_with_the_value_that_it_came_at():
    measures, _ = measured("box", "deg_C", cold_until_it_fails())
    (lowest,) = (
        one for one in compare(measures, POOR).separations if one.measure.statistic is Statistic.LOWEST
    )
    assert (lowest.sure, lowest.later_only, lowest.poor_side) == (True, False, Side.BELOW)
    assert lowest.without.between == (0.5, pytest.approx(3.5))
    assert lowest.what == "lowest before a failure"


def test_a_night_that_failed_in_the_first_hour_does_not_cut_the_others_as_short():
    nights = [Observed(halves(range(HALVES)), 0, poor, None) for poor in POOR]
    nights[0] = replace(nights[0], failed_us=HALF_US)
    nights[1] = replace(nights[1], failed_us=6 * HOUR_US)
    last = next(one for one in measured("q", "", nights)[0] if one.statistic is Statistic.LAST)
    assert last.before.hours == (0.0, 6.0)
    assert last.before.below == (None, *[12.0] * 13)
    assert last.values == (19.0,) * 14


def test_readings_that_end_with_the_failure_are_compared_as_they_are():
    nights = [
        Observed(halves(range(HALVES)), 0, poor, (HALVES - 1) * HALF_US if poor else None) for poor in POOR
    ]
    assert {one.before for one in measured("q", "", nights)[0]} == {None}


def sets_with_failures_called_sure(sets: int) -> int:
    """Return in how many sets of 14 nights one of 30 quantities of chance is called sure.

    Seven nights fail at any hour. A third of the quantities wander, a third also fall all night, and a third
    are changed by the failure.
    """
    rng = random.Random(20260314)
    sure = 0
    for _ in range(sets):
        measures: list[Measure] = []
        hours = failure_hours(rng)
        for number in range(30):
            fall, jump = ((0.0, 0.0), (2.0, 0.0), (0.0, 6.0))[number % 3]
            nights = failing(rng, hours, fall, jump)
            measures += measured(f"q{number}", "", nights)[0]
        sure += any(one.sure for one in compare(measures, POOR).separations)
    return sure


if __name__ == "__main__":
    asked = int(sys.argv[1])
    print(f"something is called sure in {sets_with_failures_called_sure(asked)} of {asked:,} sets")
