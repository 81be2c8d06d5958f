"""What was found about one quantity, in plain words that claim no more than that."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from manifests.readings.comparing import (
    SURE,
    Comparison,
    Measure,
    Parting,
    Separation,
    Side,
    nights_to_be_sure,
)
from manifests.readings.measuring import Uneven
from manifests.readings.occurring import Occurrence
from manifests.readings.series import FRESH_S
from manifests.readings.units import decimals_among, number_shown, unit_shown


def odds(chance: float) -> str:
    """Return a chance as people say it: "once in 10", "twice in 10", "less than once in 1,000"."""
    for whole in (10, 100, 1000):
        count = chance * whole
        if count >= 0.95:
            told = f"{count:.2g}" if count < 9.95 else f"{count:.0f}"
            times = {"1": "once", "2": "twice"}.get(told, f"{told} times")
            return f"{times} in {whole:,}"
    return "less than once in 1,000"


def less_than(chance: float) -> str:
    """Return what a chance is under that no drawing can show to be smaller: "less than once in 110"."""
    times = 1 / chance
    step = 10 ** max(0, math.floor(math.log10(times)) - 1)
    return f"less than once in {math.floor(times / step) * step:,}"


def age_shown(age_s: float) -> str:
    """Return how old a reading was at a moment: "25 min"; nothing where it is as good as of that moment."""
    return f"{age_s / 60:.0f} min" if age_s > FRESH_S else ""


def with_unit(value: float, unit: str, decimals: int) -> str:
    """Return a value with its unit as a screen shows it."""
    return f"{number_shown(value, decimals)} {unit_shown(unit)}".rstrip()


def between_shown(measure: Measure, found: Parting) -> tuple[str, str]:
    """Return the two values between which a measure parts the nights, with digits that tell them apart."""
    low, high = found.between
    decimals = decimals_among(value for value in measure.values if value is not None)
    if low != high and number_shown(low, decimals) == number_shown(high, decimals):
        decimals = decimals_among(found.between)
    return number_shown(low, decimals), number_shown(high, decimals)


def values_shown(one: Occurrence) -> list[str]:
    """Return the values at the failures, the lowest first."""
    decimals = decimals_among((*one.values, *one.span))
    return [number_shown(value, decimals) for value in sorted(one.values)]


def share_shown(share: float) -> str:
    """Return a part of the time in percent."""
    if share == 0:
        return "0%"
    return f"{share:.0%}" if share >= 0.095 else f"{share:.1%}" if share >= 0.0005 else "under 0.1%"


def values_tried(whole: Comparison) -> str:
    """Return how many values were tried: "1 value tried"."""
    return f"{whole.tried} {'value' if whole.tried == 1 else 'values'} tried"


def uneven_words(uneven: Sequence[Uneven]) -> Iterator[str]:
    """Return, for quantities with unlike numbers of readings, what that leaves out."""
    for fewer in (True, False):
        names = [one.quantity for one in uneven if one.poor_have_fewer is fewer]
        lowest, highest = ("higher", "lower") if fewer else ("lower", "higher")
        if names:
            yield (
                f"The poor nights have {'fewer' if fewer else 'more'} readings than the good ones of"
                f" {', '.join(names)}. Fewer readings reach less far, whatever they are of: so a {lowest}"
                f" lowest or a {highest} highest reading of the poor nights counts for nothing here, and last"
                " reading and fall per hour are not compared over whole nights."
            )
    for one in uneven:
        if one.hours is not None:
            begun, ended = one.hours
            yield (
                f"Of {one.quantity} all nights have readings from {begun:.1f} to {ended:.1f} h after sunset:"
                " these hours are compared by themselves."
            )


def later_words(found: Sequence[Separation]) -> Iterator[str]:
    """Return which values part the nights only with the hours after failures: what they are is not told."""
    names: dict[str, list[str]] = {}
    for one in found:
        if one.later_only:
            names.setdefault(one.measure.quantity, []).append(one.measure.what)
    if names:
        named = "; ".join(f"{quantity} ({', '.join(which)})" for quantity, which in names.items())
        yield (
            f"Only with the hours after the failures would these part the nights: {named}. They may be what a"
            " failure left behind, or only what came later that night; they explain nothing."
        )


def separation_words(one: Separation, whole: Comparison, nights: Sequence[str] = ()) -> str:
    """Return a separation in sentences: what parts the nights, how often chance does, how sure it is.

    `nights` are the names of those compared, to say which are on the other side.
    """
    sentences = [_what(one, nights), _how_often(one, whole), _how_sure(one)]
    if one.follows:
        sentences.append(f"It ranks these nights as {one.follows} does: they cannot tell the two apart.")
    return " ".join(sentences)


def _what(one: Separation, nights: Sequence[str]) -> str:
    found = one.whole
    poor, good = f"{found.poor} poor or lost", f"{found.good} good"
    here, there = ("below", "above") if one.poor_side is Side.BELOW else ("above", "below")
    sides = f"{poor} {night_or_nights(found.poor)} lie {here}, the {good} {there}, parted"
    told = f"{one.measure.name}: the {sides} {_where(one, found, nights)}."
    if one.later_only:
        return f"{told} {_LATER_ONLY}"
    if one.without is None:
        return told
    return f"{told} Without the hours after the failures ({one.what}): {_where(one, one.without, nights)}."


_LATER_ONLY = (
    "Without the hours after the failures it does not clearly part them: it may be what a failure left"
    " behind, or only what came later that night."
)


def _where(one: Separation, found: Parting, nights: Sequence[str]) -> str:
    low, high = (
        f"{value} {unit_shown(one.measure.unit)}".rstrip() for value in between_shown(one.measure, found)
    )
    told = f"between {low} and {high}, where no night lies"
    wrong = len(found.exceptions)
    if not wrong:
        return told
    names = f" ({', '.join(nights[place] for place in found.exceptions)})" if nights else ""
    return f"{told}, but for {wrong} {night_or_nights(wrong)} on the other side{names}"


def night_or_nights(count: int) -> str:
    """Return the noun that goes with so many nights."""
    return "night" if count == 1 else "nights"


def _how_often(one: Separation, whole: Comparison) -> str:
    found = one.whole
    directed = found.chances.below if one.poor_side is Side.BELOW else found.chances.above
    clean = "As clear a separation" if found.exceptions else "So clean a separation"
    of = f"of {found.poor} of {found.poor + found.good} nights"
    asked = "asked for beforehand" if one.expected else "had it been asked for beforehand"
    told = f"{clean} {of} comes by chance {odds(directed)} in this direction, {asked}"
    told += f", {odds(found.chances.either)} in either"
    if one.later_only:
        return f"{told}."
    if one.without is not None and one.chance > found.chance(one.poor_side, one.expected):
        told += f", {odds(one.chance)} without the hours after the failures"
    if whole.tried > 1:
        told += f", and {odds(one.chance_corrected)} in any of the {whole.tried} values that were tried"
    return f"{told}."


def _how_sure(one: Separation) -> str:
    if one.later_only:
        return "That proves nothing."
    if one.sure:
        return f"Chance alone would hardly do that ({SURE:.0%} is the usual limit). It shows no cause."
    more = nights_to_be_sure(one)
    if more is None:
        return "That proves nothing, and no small number of nights more would."
    poor, good = more
    kinds = " and ".join(
        f"{count} more {kind} {night_or_nights(count)}"
        for count, kind in ((poor, "poor"), (good, "good"))
        if count
    )
    each = "each " if sum(more) > 1 else ""
    return f"That proves nothing yet. About {kinds}, {each}on its own side, would make it sure."


def occurrence_words(one: Occurrence, tried: int) -> str:
    """Return in sentences where failures came in a quantity."""
    values = f"{', '.join(values_shown(one))} {unit_shown(one.unit)}".rstrip()
    count = len(one.values)
    came = f"{one.event} came" if count == 1 else f"{one.event} came first in {count} nights,"
    share = share_shown(one.share_otherwise)
    spent = f"of all other time of the nights before a failure, {share} was at or {one.side} that"
    if count > 1:
        spent += ", for the least unusual of them"
    alone, any_of = (
        (less_than(one.chance), less_than(one.chance_corrected))
        if one.at_floor
        else (odds(one.chance), odds(one.chance_corrected))
    )
    often = f"by chance {alone}, and {any_of} in any of {tried} that were tried"
    sure = "Chance alone would hardly do that; it shows no cause." if one.sure else "That proves nothing."
    if count == 1:
        sure = "It came once, which proves nothing."
    return f"{one.quantity}: {came} at {values}; {spent}. So rare a value comes {often}. {sure}"
