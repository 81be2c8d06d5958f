"""What a comparison of nights comes to, in plain words that claim no more than was found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from manifests.readings.comparing import SURE, Comparison, Separation, Side, nights_to_be_sure
from manifests.readings.measuring import Uneven
from manifests.readings.occurring import Occurrence
from manifests.readings.units import decimals_among, number_shown, unit_shown

NO_CAUSE = "What goes together need not cause one another."


def odds(chance: float) -> str:
    """Return a chance as people say it: "once in 10", "2.9 times in 10", "less than once in 1,000"."""
    for whole in (10, 100, 1000):
        count = chance * whole
        if count >= 0.95:
            told = f"{count:.2g}" if count < 9.95 else f"{count:.0f}"
            return f"once in {whole:,}" if told == "1" else f"{told} times in {whole:,}"
    return "less than once in 1,000"


def with_unit(value: float, unit: str, decimals: int) -> str:
    """Return a value with its unit as a screen shows it."""
    return f"{number_shown(value, decimals)} {unit_shown(unit)}".rstrip()


def between_shown(one: Separation) -> tuple[str, str]:
    """Return the two values between which a separation parts the nights, with digits that tell them apart."""
    low, high = one.between
    decimals = decimals_among(value for value in one.measure.values if value is not None)
    if low != high and number_shown(low, decimals) == number_shown(high, decimals):
        decimals = decimals_among(one.between)
    return number_shown(low, decimals), number_shown(high, decimals)


def values_shown(one: Occurrence) -> list[str]:
    """Return the values at the failures, the lowest first."""
    decimals = decimals_among((*one.values, *one.span))
    return [number_shown(value, decimals) for value in sorted(one.values)]


def share_shown(share: float) -> str:
    """Return a part of all the time in percent."""
    return f"{share:.0%}" if share >= 0.095 else f"{share:.1%}" if share >= 0.0005 else "under 0.1%"


def answers(whole: Comparison, within: Sequence[Occurrence]) -> tuple[str, ...]:
    """Return what a comparison found, a sentence or two each: where failures came, then what parts nights."""
    events = dict.fromkeys(one.event for one in within)
    found = [_where_it_came([one for one in within if one.event == event]) for event in events]
    if whole.poor and whole.good:
        found.append(_what_parts(whole))
    return (*found, NO_CAUSE) if found else ()


def _where_it_came(found: Sequence[Occurrence]) -> str:
    first = found[0]
    nights = max(len(one.values) for one in found)
    came = f"{first.event} came in {nights} {_nights(nights)}"
    if not first.sure:
        return f"{came}, and no reading was surely unusual then."
    side = f"{first.quantity} {_at_least(first)}"
    known = len(first.values)
    each = "" if nights == 1 else "each time " if known == nights else f"in {known} of them "
    told = f"{came}, {each}with {side}, where only"
    told += f" {share_shown(first.share)} of the time was spent. Sure: by chance that comes"
    told += f" {odds(first.chance_corrected)}."
    others = [f"{one.quantity} {_at_least(one)}" for one in found[1:] if one.sure]
    return f"{told} Likewise {', '.join(others)}." if others else told


def _at_least(one: Occurrence) -> str:
    decimals = decimals_among((*one.values, *one.span))
    return f"at {with_unit(one.farthest_back, one.unit, decimals)} or {one.side}"


def _what_parts(whole: Comparison) -> str:
    if not whole.tried:
        return "Nothing could be tried between poor and good nights."
    tried = values_tried(whole)
    sure = [one for one in whole.separations if one.sure and not one.follows]
    if not sure:
        clean = [one.measure.name for one in whole.separations if one.clean]
        many = "No value parts the nights" if not clean else f"{clean[0]} parts the nights"
        more = f", and so do {len(clean) - 1} more" if len(clean) > 1 else ""
        return f"{many}{more}; nothing is sure, of {tried}."
    told = f"Over whole nights, the hours after a failure included, sure of {tried}"
    return " ".join([f"{told}: {'; '.join(map(_side, sure))}.", *_ranked_alike(whole, sure)])


def values_tried(whole: Comparison) -> str:
    """Return how many values were tried: "1 value tried"."""
    return f"{whole.tried} {'value' if whole.tried == 1 else 'values'} tried"


def _side(one: Separation) -> str:
    low, high = between_shown(one)
    limit = high if one.poor_side is Side.BELOW else low
    wrong = len(one.exceptions)
    lie = "lies" if wrong == 1 else "lie"
    but = f" ({wrong} {_nights(wrong)} {lie} on the wrong side)" if wrong else ""
    unit = unit_shown(one.measure.unit)
    return f"poor nights have {one.measure.name}, {one.poor_side} {limit} {unit}".rstrip() + but


def _ranked_alike(whole: Comparison, sure: Sequence[Separation]) -> Iterator[str]:
    leaders = {one.measure.name: one.measure.quantity for one in sure}
    alike = [one.measure.quantity for one in whole.separations if one.follows in leaders]
    others = [each for each in dict.fromkeys(alike) if each not in leaders.values()]
    if others:
        yield f"These nights cannot tell that from {', '.join(others)}, which rank them nearly alike."


def uneven_words(uneven: Sequence[Uneven]) -> Iterator[str]:
    """Return, for quantities with unlike numbers of readings, what that leaves out."""
    for fewer in (True, False):
        names = [one.quantity for one in uneven if one.poor_have_fewer is fewer]
        lowest, highest = ("higher", "lower") if fewer else ("lower", "higher")
        if names:
            yield (
                f"Of {', '.join(names)} the poor nights have {'fewer' if fewer else 'more'} readings than the"
                f" good ones. That alone makes their lowest {lowest} and their highest {highest}: that is not"
                " counted, nor are last value and fall."
            )
    for one in uneven:
        if one.hours is not None:
            begun, ended = one.hours
            yield (
                f"Of {one.quantity} all nights have readings from {begun:.1f} to {ended:.1f} h after sunset:"
                " these hours are compared by themselves."
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
    low, high = (f"{value} {unit_shown(one.measure.unit)}".rstrip() for value in between_shown(one))
    poor, good = f"{one.poor} poor or lost", f"{one.good} good"
    here, there = ("below", "above") if one.poor_side is Side.BELOW else ("above", "below")
    sides = f"{poor} {_nights(one.poor)} lie {here}, the {good} {there}, parted between"
    told = f"{one.measure.name}: the {sides} {low} and {high}"
    if one.clean:
        return f"{told}."
    wrong = len(one.exceptions)
    names = f" ({', '.join(nights[place] for place in one.exceptions)})" if nights else ""
    return f"{told}, but for {wrong} {_nights(wrong)} on the other side{names}."


def _nights(count: int) -> str:
    return "night" if count == 1 else "nights"


def _how_often(one: Separation, whole: Comparison) -> str:
    directed = one.chances.below if one.poor_side is Side.BELOW else one.chances.above
    clean = "So clean a separation" if one.clean else "As clear a separation"
    of = f"of {one.poor} of {one.poor + one.good} nights"
    asked = "asked for beforehand" if one.expected else "had it been asked for beforehand"
    told = f"{clean} {of} comes by chance {odds(directed)} in this direction, {asked}"
    told += f", {odds(one.chances.either)} in either"
    if whole.tried > 1:
        told += f", and {odds(one.chance_corrected)} in any of the {whole.tried} values that were tried"
    return f"{told}."


def _how_sure(one: Separation) -> str:
    if one.sure:
        return f"Chance alone would hardly do that ({SURE:.0%} is the usual limit). It shows no cause."
    more = nights_to_be_sure(one)
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
    values = f"{', '.join(values_shown(one))} {unit_shown(one.unit)}".rstrip()
    at_or = "at or below" if one.side is Side.BELOW else "at or above"
    count = len(one.values)
    came = f"{one.event} came" if count == 1 else f"{one.event} came first in {count} nights,"
    spent = f"of all the time of the nights before a failure, {share_shown(one.share)} was {at_or} that"
    if count > 1:
        spent += ", for the least unusual of them"
    often = (
        f"by chance {odds(one.chance)}, and {odds(one.chance_corrected)} in any of {tried} that were tried"
    )
    sure = "Chance alone would hardly do that; it shows no cause." if one.sure else "That proves nothing."
    return f"{one.quantity}: {came} at {values}; {spent}. So rare a value comes {often}. {sure}"
