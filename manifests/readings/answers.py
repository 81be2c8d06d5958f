"""What a comparison of nights comes to, in a few sentences: in words no stronger than its nights are many."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from manifests.readings.comparing import SURE, Comparison, Group, Separation, Side
from manifests.readings.occurring import Occurrence
from manifests.readings.sentences import (
    age_shown,
    between_shown,
    less_than,
    night_or_nights,
    odds,
    share_shown,
    values_tried,
    with_unit,
)
from manifests.readings.units import decimals_among, number_shown, unit_shown

_EXPECTED = "That counts only if it was expected before anybody looked at these nights."
NO_CAUSE = "What goes together need not cause one another."
# A failure that came in fewer nights rests on few, however rare its readings were.
FEW = 4
_LEAST_OF_FEW = 0.01
# What was as far for more of the other time did not bring a failure there: it is not likely what they share.
_COMMON = 0.05
_AT_MOST = 3


def answers(
    whole: Comparison,
    within: Sequence[Occurrence],
    nights: Sequence[str] = (),
    failed: Mapping[str, str] | None = None,
) -> tuple[str, ...]:
    """Return what a comparison found: where failures came, what stays unexplained, what parts the nights.

    `nights` are the names of those compared; `failed` says of each poor one by which event it failed first,
    "" where by none.
    """
    failed = failed or {}
    events = dict.fromkeys(one.event for one in within)
    of_events = {event: [one for one in within if one.event == event] for event in events}
    sure = {event for event, found in of_events.items() if any(one.sure for one in found)}
    odd = {night: event for night, event in failed.items() if sure and event not in sure}
    told = [_where_it_came(found, failed) for event, found in of_events.items() if event in sure]
    told += _unexplained(odd)
    told += [
        _nothing_unusual(found)
        for event, found in of_events.items()
        if event not in sure and event not in odd.values()
    ]
    if whole.poor and whole.good:
        told.append(_what_parts(whole, nights))
    return (*told, NO_CAUSE) if told else ()


def _nights(found: Sequence[Occurrence]) -> int:
    return max(len(one.values) for one in found)


def _nothing_unusual(found: Sequence[Occurrence]) -> str:
    nights = _nights(found)
    came = f"{found[0].event} came in {nights} {night_or_nights(nights)}"
    if nights == 1:
        return f"{came}: of what came once nothing is sure, however unusual its readings were."
    return f"{came}, and no reading was surely unusual then."


def _where_it_came(found: Sequence[Occurrence], failed: Mapping[str, str]) -> str:
    first, nights = found[0], _nights(found)
    known = len(first.values)
    each = "each time " if known == nights else f"in {known} of them "
    came = f"{first.event} came in {_of_the_poor(first.event, nights, failed)}, {each}with {first.quantity}"
    return " ".join([f"{came} {_at_least(first)}{_otherwise(first)}.", _how_sure(first), *_companions(found)])


def _of_the_poor(event: str, nights: int, failed: Mapping[str, str]) -> str:
    poor = sum(each == event for each in failed.values())
    if poor != nights:
        return f"{nights} {night_or_nights(nights)}"
    every = "both" if poor == 2 else f"all {poor}"
    return (
        f"{every} poor or lost nights"
        if poor == len(failed)
        else f"{poor} of the {len(failed)} poor or lost nights"
    )


def _at_least(one: Occurrence) -> str:
    decimals = _decimals(one)
    return f"at {with_unit(one.farthest_back, one.unit, decimals)} or {one.side}"


def _decimals(one: Occurrence) -> int:
    decimals = decimals_among((*one.values, *one.span))
    if one.next_value is not None:
        ends = one.farthest_back, one.next_value
        if number_shown(ends[0], decimals) == number_shown(ends[1], decimals):
            return decimals_among(ends)
    return decimals


def _otherwise(one: Occurrence) -> str:
    """Say of the time that was no failure's how much was at such values."""
    if one.next_value is not None:
        edge = with_unit(one.next_value, one.unit, _decimals(one))
        beyond = "above" if one.side is Side.BELOW else "below"
        return f"; at all other times until a night failed it was at {edge} or {beyond}"
    return f"; of all other time until a night failed {share_shown(one.share_otherwise)} was at such values"


def _how_sure(one: Occurrence) -> str:
    chance, nights = one.chance_corrected, len(one.values)
    few = nights < FEW
    # Of few nights no smaller chance is told: what they have in common may be more than the readings say.
    under = one.at_floor or (few and chance < _LEAST_OF_FEW)
    often = less_than(max(chance, _LEAST_OF_FEW) if few else chance) if under else odds(chance)
    if one.sure and not few:
        return f"Sure: by chance that comes {often}."
    hardly = "Hardly chance" if one.sure else "Perhaps chance"
    return f"{hardly} (that comes {often}){f', but {nights} such nights are few' if few else ''}."


def _named(one: Occurrence) -> str:
    age = age_shown(one.oldest_s)
    return f"{one.quantity} {_at_least(one)}{f' (read up to {age} before)' if age else ''}"


def _companions(found: Sequence[Occurrence]) -> Iterator[str]:
    """Name what was about as rare: what goes together with the first, and what does not."""
    first, *others = [one for one in found if one.nearly_sure]
    together = [one for one in others if one.follows == first.quantity]
    alike = [one for one in together if one.share_otherwise <= _COMMON]
    if alike:
        names = _with_what_follows(
            [_named(one) for one in alike if not one.derived],
            [_named(one) for one in alike if one.derived],
        )
        yield f"With it {_go(alike)} {names}: these nights cannot tell which of them it is."
    for one in together:
        if one not in alike:
            from_others = ", derived from others," if one.derived else ""
            often = f"of all other time until a night failed {share_shown(one.share_otherwise)} was so"
            yield f"Less clearly{from_others} {_named(one)}: {often} without a failure."
    likewise = [_named(one) for one in others if one not in together]
    if likewise:
        yield f"About as clearly, {_and(likewise)}."


def _go(others: Sequence[object]) -> str:
    return "go" if len(others) > 1 else "goes"


def _with_what_follows(measured: Sequence[str], derived: Sequence[str]) -> str:
    """Name quantities, those that follow from others last."""
    if not derived:
        return _and(measured)
    follows = f"{_and(derived)}, derived from others"
    return f"{_and(measured)}; and {follows}" if measured else follows


def _unexplained(odd: Mapping[str, str]) -> Iterator[str]:
    """Name the poor nights whose failure the readings do not explain."""
    by_event: dict[str, list[str]] = {}
    for night, event in odd.items():
        by_event.setdefault(event, []).append(night)
    each = [
        f"{_some(names)} ({f'{event}, with no reading surely unusual' if event else 'no failure is known'})"
        for event, names in by_event.items()
    ]
    if each:
        yield f"{'Does' if len(odd) == 1 else 'Do'} not fit that: {_and(each)}."


def _what_parts(whole: Comparison, nights: Sequence[str]) -> str:
    if not whole.tried:
        return "Nothing could be tried between poor and good nights."
    tried = values_tried(whole)
    sure = [group for group in whole.groups if group.surest.sure]
    if not sure:
        return f"Between the nights nothing is sure, of {tried}{_clearest(whole, nights)}."
    strength = "sure" if sure[0].leader.sure else "nearly sure"
    each = [_group(group, nights, _any_tried(whole)) for group in sure[:_AT_MOST]]
    more = f" And {len(sure) - _AT_MOST} more." if len(sure) > _AT_MOST else ""
    told = f"Between the nights, {strength} of {tried}: {' Likewise: '.join(each)}{more}"
    return f"{told} {_EXPECTED}" if sure[0].leader.expected else told


def _any_tried(whole: Comparison) -> str:
    return "some value" if whole.tried > 1 else "it"


def _group(group: Group, nights: Sequence[str], which: str) -> str:
    leader = group.leader
    told = f"{_sides(leader, nights)} By chance {which} does as much {odds(leader.chance_corrected)}."
    others = [one for one in group.by_quantity if one is not leader]
    if not others:
        return told
    names = _with_what_follows(
        [one.measure.quantity for one in others if not one.measure.derived],
        [one.measure.quantity for one in others if one.measure.derived],
    )
    told += f" With it {_go(others)} {names}"
    if group.surest.measure.quantity != leader.measure.quantity:
        surest = group.surest
        told += f" (which chance does least often of them, {odds(surest.chance_corrected)})"
    return f"{told}: these nights cannot tell which of them it is."


def _sides(one: Separation, nights: Sequence[str]) -> str:
    """Say where the poor and the good nights lie, and that none lies between."""
    low, high = between_shown(one.measure, one.told)
    low, high = (f"{each} {unit_shown(one.measure.unit)}".rstrip() for each in (low, high))
    here, there = (low, high) if one.poor_side is Side.BELOW else (high, low)
    beyond = Side.ABOVE if one.poor_side is Side.BELOW else Side.BELOW
    sides = (
        f"poor nights have {one.measure.quantity} ({one.what}) at {here} or {one.poor_side},"
        f" good ones at {there} or {beyond}; no night lies between"
    )
    wrong = one.told.exceptions
    if not wrong:
        return f"{sides}."
    names = (
        _some([nights[place] for place in wrong]) if nights else f"{len(wrong)} {night_or_nights(len(wrong))}"
    )
    are = "The exception is" if len(wrong) == 1 else "The exceptions are"
    return f"{sides}. {are} {names}, on the other side."


def _clearest(whole: Comparison, nights: Sequence[str]) -> str:
    """Say what parts the nights most clearly where nothing is sure, and what does it about as clearly."""
    standing = [one for one in whole.separations if not one.later_only]
    least = (1 if standing and standing[0].expected else 2) / math.comb(whole.poor + whole.good, whole.poor)
    few = ""
    if least > SURE:
        many = whole.poor + whole.good
        few = f": {many} nights are too few, for even the cleanest parting comes by chance {odds(least)}"
    if not standing:
        return few
    first = standing[0]
    near = [
        one
        for one in standing
        if one.chance <= 2 * first.chance and one.chance_corrected <= 2 * first.chance_corrected
    ]
    names = list(dict.fromkeys(one.measure.quantity for one in near))
    often = f"{_any_tried(whole)} does as much {odds(first.chance_corrected)}"
    if len(names) == 1:
        return f"{few}. Most clearly, {_sides(first, nights)} By chance {often}"
    clearest = f"{_some(names)} part them about equally clearly, and by chance {often}"
    return f"{few}. {clearest[0].upper()}{clearest[1:]}"


def _some(names: Sequence[str]) -> str:
    """Return the first few names, and how many more there are."""
    if len(names) <= _AT_MOST + 1:
        return _and(names)
    return f"{', '.join(names[:_AT_MOST])} and {len(names) - _AT_MOST} more"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""
