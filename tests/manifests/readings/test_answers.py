"""What a comparison comes to: no stronger than its nights are many, and nothing named that is no surer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from manifests.readings.answers import answers
from manifests.readings.comparing import Comparison, Measure, Side, Statistic, compare
from manifests.readings.occurring import Occurrence
from manifests.readings.sentences import less_than

NOTHING = Comparison((), 0, 0, 0)


def came(quantity: str = "box temperature", nights: int = 6, **more: object) -> Occurrence:
    """Return failures of as many nights from 0.0 to 0.9 °C, where it otherwise was at 1.5 °C or above."""
    values = tuple(0.9 - 0.9 * number / max(nights - 1, 1) for number in range(nights))
    one = Occurrence(
        event="hub lost",
        quantity=quantity,
        unit="deg_C",
        side=Side.BELOW,
        values=values,
        share=0.004,
        share_otherwise=0.0,
        next_value=1.5,
        span=(0.0, 11.0),
        oldest_s=60.0,
        chance=0.002,
        chance_corrected=0.02,
    )
    return replace(one, **more)  # type: ignore[arg-type]


def told(*found: Occurrence, failed: dict[str, str] | None = None) -> str:
    return " ".join(answers(NOTHING, found, (), failed))


def test_the_gap_between_failures_and_all_other_time_is_told_by_both_its_ends():
    assert (
        "hub lost came in 6 nights, each time with box temperature at 0.9 °C or below;"
        " at all other times until a night failed it was at 1.5 °C or above."
    ) in told(came())
    above = came(side=Side.ABOVE, values=(8.0, 9.0), next_value=7.5)
    assert "at 8.0 °C or above; at all other times until a night failed it was at 7.5 °C or below." in told(
        above
    )


def test_other_time_at_such_values_is_told_without_the_failures_own():
    found = came(share=0.05, share_otherwise=0.023, next_value=None)
    assert "; of all other time until a night failed 2.3% was at such values." in told(found)


def test_many_nights_are_sure_and_few_are_said_to_be_few():
    assert "Sure: by chance that comes twice in 100." in told(came(nights=6))
    few = told(came(nights=2))
    assert "Hardly chance (that comes twice in 100), but 2 such nights are few." in few
    assert "Sure" not in few
    tiny = told(came(nights=2, chance_corrected=0.0004))
    assert "Hardly chance (that comes less than once in 100), but 2 such nights are few." in tiny
    assert "Sure: by chance that comes less than once in 1,000." in told(came(chance_corrected=0.0004))


def test_a_chance_that_drawing_shows_no_smaller_is_told_as_less_than_that():
    assert "less than once in 110" in told(came(at_floor=True, chance_corrected=0.009))
    assert "less than" not in told(came(chance_corrected=0.009))


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.009, "110"), (0.0055, "180"), (0.0005, "2,000"), (0.000091, "10,000"), (0.07, "14")],
)
def test_less_than_never_says_more_than_the_chance(chance: float, words: str):
    assert less_than(chance) == f"less than once in {words}"


def test_what_misses_the_limit_by_a_hair_is_named_beside_what_does_not():
    box, air = came(chance_corrected=0.05), came("air temperature", chance_corrected=0.051)
    assert (
        "With it goes air temperature at 0.9 °C or below: these nights cannot tell which of them it is."
        in told(box, replace(air, follows="box temperature"))
    )
    assert "About as clearly, air temperature at 0.9 °C or below." in told(box, air)
    assert "air" not in told(box, came("air temperature", chance_corrected=0.11))


def test_what_is_derived_is_named_after_what_was_measured_and_old_values_with_their_age():
    dew = came("dew point", derived=True, follows="box temperature")
    air = came("air temperature", follows="box temperature", oldest_s=2400.0)
    assert (
        "With it go air temperature at 0.9 °C or below (read up to 40 min before);"
        " and dew point at 0.9 °C or below, derived from others: these"
    ) in told(came(), dew, air)


def test_what_was_so_for_long_without_a_failure_is_not_named_as_what_may_be_the_reason():
    dew = came("dew point", derived=True, follows="box temperature", share_otherwise=0.15)
    air = came("air temperature", follows="box temperature")
    assert (
        "With it goes air temperature at 0.9 °C or below: these nights cannot tell which of them it is."
        " Less clearly, derived from others, dew point at 0.9 °C or below: of all other time until a night"
        " failed 15% was so without a failure."
    ) in told(came(), dew, air)


def test_what_was_expected_counts_only_where_it_was_before():
    air = measure("air temperature", *range(8), *range(18, 26))
    poor = [number < 8 for number in range(16)]
    for expected in ({("air temperature", Statistic.LOWEST): Side.BELOW}, None):
        answer = answers(compare([air], poor, expected), ())[0]
        assert "By chance it does as much" in answer
        assert ("counts only if" in answer) == bool(expected)


def test_poor_nights_that_nothing_explains_are_named_after_what_is_explained():
    mount = came("wind", nights=1, event="mount stopped", chance_corrected=1.0)
    failed = dict.fromkeys(("01", "02", "03", "04", "05", "06"), "hub lost") | {
        "07": "mount stopped",
        "08": "",
    }
    text = told(came(), mount, failed=failed)
    assert "hub lost came in 6 of the 8 poor or lost nights, each time" in text
    odd = "07 (mount stopped, with no reading surely unusual) and 08 (no failure is known)."
    assert f"Do not fit that: {odd}" in text
    assert "mount stopped came" not in text
    alone = told(mount, failed={"07": "mount stopped"})
    assert alone.startswith("mount stopped came in 1 night: of what came once nothing is sure")
    assert "fit that" not in alone


def measure(quantity: str, *values: float, derived: bool = False) -> Measure:
    return Measure(quantity, "deg_C", Statistic.LOWEST, values, derived)


def between(*measures: Measure, poor: int, names: tuple[str, ...] = ()) -> str:
    nights = len(measures[0].values)
    return answers(compare(measures, [number < poor for number in range(nights)]), (), names)[0]


def test_between_nights_both_ends_of_the_gap_and_the_nights_on_the_wrong_side_are_told():
    air = measure("air temperature", *(-0.5 - number for number in range(7)), *(0.8 + n for n in range(7)))
    assert (
        "poor nights have air temperature (lowest) at -0.5 °C or below, good ones at 0.8 °C or above;"
        " no night lies between."
    ) in between(air, poor=7)
    odd = replace(air, values=(9.0, *air.values[1:]))
    names = tuple(f"night {number}" for number in range(14))
    assert "no night lies between. The exception is night 0, on the other side." in between(
        odd, poor=7, names=names
    )


def test_few_nights_name_no_quantity_alone_where_another_parts_them_as_cleanly():
    air, wind = measure("air temperature", -2, -1, 5, 6), measure("wind", 9, 8, 3, 2)
    text = between(air, wind, poor=2)
    assert (
        "nothing is sure, of 2 values tried: 4 nights are too few, for even the cleanest parting comes"
        in text
    )
    assert "by chance 3.3 times in 10. Air temperature and wind part them about equally clearly" in text
    alone = between(air, poor=2)
    assert (
        "Most clearly, poor nights have air temperature (lowest) at -1 °C or below, good ones at 5 °C"
        in alone
    )
    assert "no night lies between. By chance it does as much 3.3 times in 10." in alone


def test_a_derived_quantity_between_nights_goes_with_the_measured_one():
    air = measure("air temperature", *range(8), *range(18, 26))
    dew = measure("dew point", *range(-9, -1), *range(8, 16), derived=True)
    text = between(dew, air, poor=8)
    assert "sure of 2 values tried: poor nights have air temperature (lowest) at 7 °C or below" in text
    assert (
        "With it goes dew point, derived from others: these nights cannot tell which of them it is." in text
    )
