"""What a comparison of nights comes to, in plain words that claim no more than was found."""

from __future__ import annotations

from collections.abc import Sequence

from manifests.readings.comparing import SURE, Comparison, Separation, Side, nights_to_be_sure
from manifests.readings.occurring import Occurrence
from manifests.readings.units import number_shown, unit_shown

NO_CAUSE = "What goes together need not cause one another."


def odds(chance: float) -> str:
    """Return a chance as people say it: "once in 10", "2.9 times in 10", "less than once in 1,000"."""
    for whole in (10, 100, 1000):
        count = chance * whole
        if count >= 0.95:
            told = f"{count:.2g}" if count < 9.95 else f"{count:.0f}"
            return f"once in {whole:,}" if told == "1" else f"{told} times in {whole:,}"
    return "less than once in 1,000"


def with_unit(value: float, unit: str) -> str:
    """Return a value with its unit as a screen shows it."""
    return f"{number_shown(value)} {unit_shown(unit)}".rstrip()


def separation_words(one: Separation, whole: Comparison, nights: Sequence[str] = ()) -> str:
    """Return a separation in sentences: what parts the nights, how often chance does, how sure it is.

    `nights` are the names of those compared, to say which are on the other side.
    """
    sentences = [_what(one, whole, nights), _how_often(one, whole), _how_sure(one, whole)]
    if one.follows:
        sentences.append(f"It ranks these nights as {one.follows} does: they cannot tell the two apart.")
    return " ".join(sentences)


def _what(one: Separation, whole: Comparison, nights: Sequence[str]) -> str:
    low, high = one.between
    unit = one.measure.unit
    poor, good = f"{whole.poor} poor or lost", f"{whole.good} good"
    here, there = ("below", "above") if one.poor_side is Side.BELOW else ("above", "below")
    sides = f"{poor} {_nights(whole.poor)} lie {here}, the {good} {there}, parted between"
    named = f"{one.measure.quantity}, {one.measure.statistic}"
    values = f"{with_unit(low, unit)} and {with_unit(high, unit)}"
    if one.clean:
        return f"{named}: the {sides} {values}."
    wrong = len(one.exceptions)
    names = f" ({', '.join(nights[place] for place in one.exceptions)})" if nights else ""
    return f"{named}: the {sides} {values}, but for {wrong} {_nights(wrong)} on the other side{names}."


def _nights(count: int) -> str:
    return "night" if count == 1 else "nights"


def _how_often(one: Separation, whole: Comparison) -> str:
    directed = one.chances.below if one.poor_side is Side.BELOW else one.chances.above
    clean = "So clean a separation" if one.clean else "As clear a separation"
    of = f"of {whole.poor} of {whole.poor + whole.good} nights"
    asked = "asked for beforehand" if one.expected else "had it been asked for beforehand"
    told = f"{clean} {of} comes by chance {odds(directed)} in this direction, {asked}"
    told += f", {odds(one.chances.either)} in either"
    if whole.tried > 1:
        told += f", and {odds(one.chance_corrected)} in any of the {whole.tried} values that were tried"
    return f"{told}."


def _how_sure(one: Separation, whole: Comparison) -> str:
    if one.sure:
        return f"Chance alone would hardly do that ({SURE:.0%} is the usual limit). It shows no cause."
    more = nights_to_be_sure(whole.poor, whole.good, one)
    if more is None:
        return "That proves nothing, and no small number of nights more would."
    poor, good = more
    kinds = " and ".join(
        f"{count} more {kind} {_nights(count)}" for count, kind in ((poor, "poor"), (good, "good")) if count
    )
    each = "each " if sum(more) > 1 else ""
    return f"That proves nothing yet. About {kinds}, {each}on its own side, would make it sure."


def occurrence_words(one: Occurrence, tried: int) -> str:
    """Return in sentences where failures came in a quantity."""
    values = ", ".join(with_unit(value, one.unit) for value in sorted(one.values))
    at_or = "at or below" if one.side is Side.BELOW else "at or above"
    count = len(one.values)
    came = f"{one.event} came" if count == 1 else f"{one.event} came first in {count} nights,"
    spent = f"of all the time of the nights before a failure, {one.share:.1%} was {at_or} that"
    if count > 1:
        spent += ", for the least unusual of them"
    often = (
        f"by chance {odds(one.chance)}, and {odds(one.chance_corrected)} in any of {tried} that were tried"
    )
    sure = "Chance alone would hardly do that; it shows no cause." if one.sure else "That proves nothing."
    return f"{one.quantity}: {came} at {values}; {spent}. So rare a value comes {often}. {sure}"
