"""What parts nights: found where it is, not found in noise, never called more than it is.

As a program (`python -m tests.manifests.readings.test_comparing`) it says how often noise is called sure.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.readings.answers import answers
from manifests.readings.comparing import (
    NEARLY,
    SURE,
    Before,
    Comparison,
    Measure,
    Side,
    Statistic,
    compare,
    nights_to_be_sure,
)
from manifests.readings.permutations import MOST_CHOICES, chances
from manifests.readings.sentences import later_words, odds, separation_words

SETS = 1000
QUANTITIES = 30


def noise(rng: random.Random, nights: int) -> list[Measure]:
    return [
        Measure(f"q{number}", "", Statistic.LOWEST, tuple(rng.gauss(0, 1) for _ in range(nights)))
        for number in range(QUANTITIES)
    ]


def sets_called_sure() -> int:
    """Return in how many sets of nights of noise something is called sure."""
    rng = random.Random(20260314)
    poor = [True] * 6 + [False] * 7
    return sum(any(one.sure for one in compare(noise(rng, 13), poor).separations) for _ in range(SETS))


def test_in_noise_something_is_called_sure_in_at_most_one_set_in_twenty():
    sure = sets_called_sure()
    assert sure <= SETS * 0.05
    assert sure > SETS * 0.01, "a test that never finds anything would pass as well"


def test_among_noise_what_parts_the_nights_is_found():
    rng = random.Random(7)
    poor = [True] * 8 + [False] * 8
    found = 0
    for _ in range(20):
        measures = noise(rng, 16)
        cold = tuple(rng.gauss(-5 if is_poor else 5, 1) for is_poor in poor)
        measures[17] = replace(measures[17], quantity="air temperature", values=cold)
        first = compare(measures, poor).separations[0]
        found += first.measure.quantity == "air temperature" and first.sure
    assert found == 20


def measure(*values: float | None, quantity: str = "air temperature") -> Measure:
    return Measure(quantity, "deg_C", Statistic.LOWEST, values)


def test_one_night_on_the_wrong_side_is_named():
    values = (*map(float, range(12)), -1.0)
    poor = [number < 6 for number in range(12)] + [False]
    found = compare([measure(*values)], poor)
    (one,) = found.separations
    assert (one.poor_side, one.whole.between, one.whole.exceptions) == (Side.BELOW, (5.0, 6.0), (12,))
    assert one.chance == pytest.approx(chances(values[:6], values[6:]).either)
    assert "but for 1 night on the other side." in separation_words(one, found)
    names = [f"night {number}" for number in range(13)]
    assert "on the other side (night 12)." in separation_words(one, found, names)


def test_a_quantity_that_only_follows_another_is_said_to():
    poor = [True, True, True, False, False, False]
    air = measure(-3, -2, -1, 4, 5, 9)
    tube = measure(-4, -3.2, -2, 1, 4.5, 8, quantity="tube temperature")
    found = compare([air, tube], poor)
    assert [one.follows for one in found.separations] == ["", "air temperature, lowest"]
    assert "cannot tell the two apart" in separation_words(found.separations[1], found)


def box_and_dew(*box: float) -> Comparison:
    """Return fourteen nights, of which the dew point parts the first seven cleanly, and boxes as given."""
    poor = [number < 7 for number in range(14)]
    dew = Measure("dew point", "deg_C", Statistic.LOWEST, tuple(map(float, range(14))), derived=True)
    others = [measure(*box, quantity=f"box {number}") for number in range(2)]
    return compare([*others, dew, *noise(random.Random(1), 14)], poor)


def test_what_is_derived_leads_only_where_nothing_measured_parts_the_nights_about_as_well():
    near = box_and_dew(0, 1, 2, 3, 4, 7, 5, 6, 8, 9, 10, 11, 12, 13)
    assert near.separations[0].chance_corrected > near.separations[2].chance_corrected
    assert [(one.measure.quantity, one.follows) for one in near.separations[:3]] == [
        ("box 0", ""),
        ("box 1", "box 0, lowest"),
        ("dew point", "box 0, lowest"),
    ]
    far = box_and_dew(0, 1, 2, 3, 4, 9, 5, 6, 7, 8, 10, 11, 12, 13)
    assert far.separations[1].chance_corrected > NEARLY
    assert [(one.measure.quantity, one.sure) for one in far.separations[:2]] == [
        ("dew point", True),
        ("box 0", False),
    ]
    assert {one.follows for one in far.separations[1:3]} == {"dew point, lowest"}


def test_no_measure_parts_the_nights_to_the_side_that_the_number_of_readings_puts_them():
    poor = [True, True, False, False]
    (one,) = compare([replace(measure(1, 2, 3, 4), not_on=Side.ABOVE)], poor).separations
    assert one.poor_side is Side.BELOW
    assert compare([replace(measure(1, 2, 3, 4), not_on=Side.BELOW)], poor).separations == ()
    expected = {("air temperature", Statistic.LOWEST): Side.BELOW}
    assert compare([replace(measure(1, 2, 3, 4), not_on=Side.BELOW)], poor, expected).tried == 0


def test_what_does_not_part_the_nights_without_the_later_hours_is_never_sure():
    """Chance would hardly do both at once here; but before the failures one night lies on the other side."""
    poor = [number < 5 for number in range(10)]
    before = (7.0, 3.0, 2.0, 1.0, 0.0, 9.0, 8.0, 6.0, 5.0, 4.0)
    early = Before(before, before, frozenset(), (0.0, 3.0))
    (one,) = compare([replace(measure(*range(10)), before=early)], poor).separations
    assert one.chance_corrected <= SURE
    assert (one.later_only, one.sure, one.told) == (True, False, one.whole)
    words = separation_words(one, compare([measure(*range(10))], poor))
    assert "what a failure left behind, or only what came later" in words
    assert words.endswith("That proves nothing.")


def test_what_parts_the_nights_only_with_the_later_hours_comes_last_and_apart():
    poor = [True, True, True, False, False, False]
    late = Before((3.0, 5.0, 7.0, 4.0, 6.0, 8.0), (3.0, 5.0, 7.0, 4.0, 6.0, 8.0), frozenset(), (0.0, 3.0))
    clearer = replace(measure(-9, -9, -9, 4, 5, 9), quantity="margin", statistic=Statistic.LAST, before=late)
    found = compare([clearer, measure(-3, -2, -1, 4, 5, 9)], poor)
    assert [(one.measure.quantity, one.later_only) for one in found.separations] == [
        ("air temperature", False),
        ("margin", True),
    ]
    assert "margin" not in answers(found, ())[0]
    (apart,) = later_words(found.separations)
    assert "margin (last)" in apart
    assert list(later_words(found.separations[:1])) == []


def test_the_larger_chance_of_the_two_counts():
    poor = [number < 5 for number in range(10)]
    before = (0.0, 1.0, 2.0, 3.0, 6.0, 4.0, 5.0, 7.0, 8.0, 9.0)
    lowest = replace(measure(*range(10)), before=Before(before, before, frozenset({Side.BELOW}), None))
    found = compare([lowest], poor)
    (one,) = found.separations
    assert (one.later_only, one.without.exceptions, one.clean) == (False, (4,), False)
    assert one.chance == one.without.chances.either > one.whole.chances.either
    words = separation_words(one, found)
    assert "(lowest before a failure): between 3 °C and 4 °C, where no night lies, but for 1 night" in words
    assert f"{odds(one.chance)} without the hours after the failures" in words


def test_nights_without_a_value_are_not_counted_as_parted():
    (one,) = compare([measure(-1, None, 1, 2, None)], [True, True, False, False, False]).separations
    assert (one.whole.poor, one.whole.good) == (1, 2)
    found = compare([measure(-1, None, 1, 2, None)], [True, True, False, False, False])
    assert "the 1 poor or lost night lie" in separation_words(one, found)
    assert "of 1 of 3 nights" in separation_words(one, found)


def test_statistics_that_are_the_same_in_every_night_are_tried_once():
    twice = [measure(1, 2, 3, 4), replace(measure(1, 2, 3, 4), statistic=Statistic.LAST)]
    assert compare(twice, [True, True, False, False]).tried == 1


@pytest.mark.parametrize("poor", [[], [True, True], [False, False]])
def test_without_both_kinds_of_nights_nothing_is_tried(poor):
    found = compare([measure(*range(len(poor)))], poor)
    assert (found.separations, found.tried) == ((), 0)


def test_nights_without_a_value_are_left_out_of_its_chance():
    poor = [True, True, False, False, False, True]
    (one,) = compare([measure(-3, -2, 4, 5, 6, None)], poor).separations
    assert one.whole.chances.below == pytest.approx(0.1)
    assert one.chance_corrected >= one.chance
    assert compare([measure(None, None, 4, 5, 6, None)], poor).tried == 0


def test_a_quantity_that_never_changes_parts_nothing():
    assert compare([measure(5, 5, 5, 5)], [True, True, False, False]).separations == ()


def test_more_nights_than_can_all_be_tried_are_drawn_always_alike():
    poor = [number % 2 == 0 for number in range(24)]
    values = tuple(float(is_poor) + number / 100 for number, is_poor in enumerate(poor))
    first, again = (compare([measure(*values)], poor).separations[0] for _ in range(2))
    assert first == again
    assert first.chance < 1e-5
    assert first.chance_corrected == pytest.approx(1 / MOST_CHOICES, rel=3)


def test_how_many_more_nights_would_make_it_sure():
    (one,) = compare([measure(-1, -0.5, 1, 2, 3)], [True, True, False, False, False]).separations
    poor, good = nights_to_be_sure(one)
    assert poor + good == 3
    more = [measure(*(-1.0 - n for n in range(2 + poor)), *(1.0 + n for n in range(3 + good)))]
    assert compare(more, [True] * (2 + poor) + [False] * (3 + good)).separations[0].sure


@given(st.lists(st.tuples(st.booleans(), st.floats(-10, 10) | st.none()), min_size=1, max_size=8))
def test_no_nights_at_all_break_it(nights):
    found = compare([measure(*(value for _, value in nights))], [poor for poor, _ in nights])
    for one in found.separations:
        assert 0 < one.chance <= one.chance_corrected <= 1
        assert one.whole.between[0] <= one.whole.between[1]
        assert separation_words(one, found)


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (1.0, "10 times in 10"),
        (0.2, "twice in 10"),
        (0.1, "once in 10"),
        (2 / 35, "5.7 times in 100"),
        (0.01, "once in 100"),
        (0.001, "once in 1,000"),
        (1e-6, "less than once in 1,000"),
    ],
)
def test_chances_are_said_as_people_say_them(chance, told):
    assert odds(chance) == told


if __name__ == "__main__":
    of = f"{SETS:,} sets of {QUANTITIES} quantities of noise"
    print(f"something is called sure in {sets_called_sure()} of {of}")
