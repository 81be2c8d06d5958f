"""`nightferry compare`: nights side by side."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

import click

from manifests.readings.answers import FEW
from manifests.readings.caution import CAUTION, concerns_power
from manifests.readings.comparing import SURE, Group, Separation, Side, Statistic
from manifests.readings.moments import clock
from manifests.readings.occurring import Occurrence
from manifests.readings.sentences import (
    age_shown,
    between_shown,
    later_words,
    less_than,
    occurrence_words,
    share_shown,
    uneven_words,
    values_shown,
    values_tried,
)
from manifests.readings.units import decimals_among, number_shown, per_hour, unit_shown
from transfer.archive.nights_told import place_of
from transfer.archive.questions import browsed
from transfer.cli.archives import archive_options, chosen_archive
from transfer.cli.options import any_config, ends_with_exit_code, print_json
from transfer.cli.screen import Screen, screen_of
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.cli.telling import NoteWriter, fitted, until_the_reader_goes, write_lines
from transfer.cli.written_nights import Night
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.jobs.compare import AT_FAILURE, ComparedNight, CompareOutcome, compare_nights

_NOTHING: dict[str, object] = {"nights": [], "separations": [], "tried": 0}
# What a screen has room for beside what was found: all the rest is told by --all.
_UNSURE_SHOWN, _QUANTITIES_SHOWN = 3, 2
_LABEL_COLUMNS, _NIGHT_COLUMNS, _NIGHTS_ON_A_PIPE = 31, 12, 12

_FLOOR = (
    "Drawing the failures anew can show no chance smaller than {} here, in any tried: it may be far less, and"
    " which of the rows that have it is the rarer one it does not tell."
)
_FEW = "These chances rest on {} failures alone: one more night of either kind may change them."
_AS_FAR = {Side.BELOW: "as low", Side.ABOVE: "as high"}
_MAY_BE_CHANCE = "not sure, may well be chance"

_SEPARATIONS = (
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("statistic", narrow=Narrow.WRAPS, least=13),
    Column("poor", narrow=Narrow.WRAPS, least=9),
    Column("between", narrow=Narrow.WRAPS, least=9),
    Column("by chance", right=True),
    Column("in any tried", right=True),
)
_OCCURRENCES = (
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("at failures", narrow=Narrow.WRAPS, least=12),
    Column("at other times"),
    Column("by chance", right=True),
    Column("in any tried", right=True),
)


@click.command("compare")
@click.argument("nights", nargs=-1, type=Night(), metavar="[NIGHTS…]")
@click.option(
    "--expect",
    "expectations",
    multiple=True,
    metavar='"QUANTITY below"',
    help='Try only what you expected beforehand, e.g. "air temperature below" (the lowest) or'
    ' "fall per hour of air temperature above".',
)
@click.option(
    "--all", "everything", is_flag=True, help="Show all that was tried, and every quantity of each night."
)
@archive_options
@ends_with_exit_code("compare", _NOTHING)
def command(
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    nights: tuple[date, ...],
    expectations: tuple[str, ...],
    everything: bool,
) -> int:
    """Lay nights side by side, and say what parts those that went well from the others, and how sure that is.

    Without NIGHTS, all that have a verdict (nightferry mark). What was expected beforehand needs fewer
    nights than what is found by looking at everything: say so with --expect before you look. What was found
    comes first; --all adds what may well be chance, and every quantity.
    """
    chosen, notes = chosen_archive(config_file, archive_folder), NoteWriter()
    config = any_config(config_file) or Config(Path("nightferry.toml"))
    longitude_deg, _ = longitude_of(config, datetime.now(UTC))
    place = place_of(config.site, longitude_deg)
    with until_the_reader_goes(), browsed(chosen.root, notes) as archive:
        outcome = archive.ask(lambda index: compare_nights(index, config, place, list(nights), expectations))
        if as_json:
            print_json(outcome.as_json() | {"notes": notes.said})
        else:
            write_lines(_lines(outcome, screen_of(sys.stdout), everything))
    return int(outcome.exit_code)


def _lines(outcome: CompareOutcome, screen: Screen, everything: bool) -> Iterator[str]:
    """Return the answer first, then what it rests on, then the nights side by side."""
    yield from _fitted([outcome.heading, *outcome.answers], screen)
    if any(concerns_power(quantity, unit) for quantity, unit in outcome.units.items()):
        yield from _fitted([CAUTION], screen)
    if outcome.within:
        yield from _within(outcome.within, screen, everything)
    yield from _separations(outcome, screen, everything)
    if outcome.nights:
        yield from ("", "Nights side by side, from sunset to sunrise")
        yield from _fitted(_first_failures(outcome.nights), screen)
    told = _told(outcome)
    shown = list(outcome.units) if everything or not told else told
    for nights in _beside_each_other(outcome.nights, screen):
        yield from table(_columns(nights), _rows(outcome, nights, shown, everything), screen)
        yield ""
    if len(shown) < len(outcome.units):
        more = len(outcome.units) - len(shown)
        named = f"{more} more {'quantity' if more == 1 else 'quantities'}"
        yield from _fitted(
            [f"{named}, and all that was tried: nightferry compare --all (or --json)."], screen
        )
    if screen.width is not None and outcome.answers:
        yield from _fitted(["What was found stands in the first lines, above the tables."], screen)


def _told(outcome: CompareOutcome) -> list[str]:
    """Return the quantities that say most: those that the answer names first, else the clearest."""
    within = [one.quantity for one in outcome.within if one.nearly_sure and not one.derived]
    groups = outcome.comparison.groups[:_UNSURE_SHOWN]
    between = [one.measure.quantity for group in groups for one in group.by_quantity]
    named = dict.fromkeys(one for one in (*within, *between) if one in outcome.units)
    return list(named)[:_QUANTITIES_SHOWN]


def _first_failures(nights: Sequence[ComparedNight]) -> Iterator[str]:
    """Return, where nights failed by different events, which by which, and which came after the first."""
    by_event: dict[str, list[str]] = {}
    later: dict[str, list[str]] = {}
    for night in nights:
        if night.first_failure is not None:
            by_event.setdefault(night.first_failure.event, []).append(night.night.isoformat())
        for event in night.other_events:
            later.setdefault(event, []).append(night.night.isoformat())
    if len(by_event) > 1 or later:
        told = "; ".join(f"{event} in {', '.join(which)}" for event, which in by_event.items())
        yield f"First failures: {told}."
    if later:
        told = "; ".join(f"{event} in {', '.join(which)}" for event, which in later.items())
        yield f"Not looked at, for another failure came first: {told}."


def _fitted(lines: Iterable[str], screen: Screen) -> Iterator[str]:
    return fitted(map(screen.clean, lines), screen.width)


def _beside_each_other(nights: Sequence[ComparedNight], screen: Screen) -> Iterator[Sequence[ComparedNight]]:
    """Return as many nights at a time as fit beside each other, the poor ones first."""
    ordered = sorted(nights, key=lambda one: (not one.poor, one.verdict is None, one.night))
    at_once = _NIGHTS_ON_A_PIPE
    if screen.width is not None:
        at_once = max(1, (screen.width - _LABEL_COLUMNS) // _NIGHT_COLUMNS)
    for start in range(0, len(ordered), at_once):
        yield ordered[start : start + at_once]


def _columns(nights: Sequence[ComparedNight]) -> list[Column]:
    return [
        Column("quantity", narrow=Narrow.WRAPS, least=12),
        Column("", narrow=Narrow.STAYS),
        *(Column(night.night.isoformat(), right=True) for night in nights),
    ]


def _rows(
    outcome: CompareOutcome, nights: Sequence[ComparedNight], shown: Sequence[str], everything: bool
) -> Iterator[tuple[Cell, ...]]:
    verdicts = ("-" if night.verdict is None else night.verdict.verdict.value for night in nights)
    yield ("verdict", "", *verdicts)
    if any(night.first_failure is not None for night in outcome.nights):
        firsts = (night.first_failure for night in nights)
        yield ("first failure, UTC", "", *(None if one is None else clock(one.at_us) for one in firsts))
    for quantity in shown:
        name = f"{quantity}, {unit_shown(outcome.units[quantity])}".removesuffix(", ")
        for told, cells in _of_quantity(outcome, nights, quantity, everything):
            yield (name, told, *cells)
            name = ""


def _of_quantity(
    outcome: CompareOutcome, nights: Sequence[ComparedNight], quantity: str, everything: bool
) -> Iterator[tuple[str, list[str | None]]]:
    """Return a quantity's rows: each statistic, what it was at the first failure, how old that was."""
    telling = tuple(Statistic) if everything else (Statistic.LOWEST, Statistic.HIGHEST)
    of_all = [night.values.get(quantity, {}) for night in outcome.nights]
    levels = decimals_among(v for each in of_all for key, v in each.items() if key != Statistic.FALL)
    falls = decimals_among(each[Statistic.FALL] for each in of_all if Statistic.FALL in each)
    for statistic in (*telling, AT_FAILURE):
        values = [night.values.get(quantity, {}).get(statistic) for night in nights]
        if any(value is not None for value in values):
            decimals = falls if statistic == Statistic.FALL else levels
            shown = [None if value is None else number_shown(value, decimals) for value in values]
            yield _statistic_shown(statistic, outcome.units[quantity]), shown
    ages = [age_shown(night.ages_s.get(quantity, 0.0)) for night in nights]
    if any(ages):
        yield "read before", [age or None for age in ages]


def _statistic_shown(statistic: str, unit: str) -> str:
    return f"fall, {unit_shown(per_hour(unit))}" if statistic == Statistic.FALL else str(statistic)


def _separations(outcome: CompareOutcome, screen: Screen, everything: bool) -> Iterator[str]:
    found, tried = outcome.comparison, f"of {values_tried(outcome.comparison)}"
    sure = [group for group in found.groups if group.surest.sure]
    unsure = [group for group in found.groups if not group.surest.sure]
    if sure:
        limit = f"sure is {SURE:.0%} or less in any tried"
        heading = f"Between the nights: what parts them, and what goes with it, {tried} ({limit})"
        yield from _groups(heading, sure, screen, everything)
    if unsure and (everything or not sure):
        yield from _groups(f"Between the nights: {_MAY_BE_CHANCE}, {tried}", unsure, screen, everything)
    leaders = [group.leader for group in (*sure, *unsure)]
    if everything:
        yield from _fitted(_followers(found.separations), screen)
    if leaders and (everything or not leaders[0].sure):
        yield from _fitted([outcome.words(leaders[0])], screen)
    if everything or not sure:
        yield from _fitted(later_words(found.separations), screen)
    if everything:
        yield from _fitted(uneven_words(outcome.uneven), screen)


def _groups(heading: str, groups: Sequence[Group], screen: Screen, everything: bool) -> Iterator[str]:
    """Return a table of groups: each by its quantities, where one of them is sure or all is asked for."""
    shown = groups if everything else groups[:_UNSURE_SHOWN]
    rows = [
        one
        for group in shown
        for one in (group.by_quantity if everything or group.surest.sure else (group.leader,))
    ]
    yield ""
    yield from _fitted([heading], screen)
    yield from table(_SEPARATIONS, map(_separation, rows), screen)
    if len(shown) < len(groups):
        yield f"and {len(groups) - len(shown)} more, none of them clearer: --all shows them"


def _followers(found: Sequence[Separation]) -> Iterator[str]:
    """Return, for each that others follow, a sentence that names them."""
    standing = [one for one in found if not one.later_only]
    for leader in dict.fromkeys(one.follows for one in standing if one.follows):
        alike: dict[str, list[str]] = {}
        for one in standing:
            if one.follows == leader:
                alike.setdefault(one.measure.quantity, []).append(one.measure.what)
        named = "; ".join(f"{quantity} ({', '.join(which)})" for quantity, which in alike.items())
        why = "for they rank the nights nearly alike"
        yield f"These only follow {leader}, or it follows them, {why}: {named}."


def _separation(one: Separation) -> tuple[Cell, ...]:
    wrong = one.told.exceptions
    return (
        f"{one.measure.quantity}, {unit_shown(one.measure.unit)}".removesuffix(", "),
        one.what,
        f"{one.poor_side} but for {len(wrong)}" if wrong else one.poor_side.value,
        " and ".join(between_shown(one.measure, one.told)),
        _percent(one.chance),
        _percent(one.chance_corrected),
    )


def _within(found: Sequence[Occurrence], screen: Screen, everything: bool) -> Iterator[str]:
    rare = [one for one in found if one.nearly_sure]
    others = [one for one in found if not one.nearly_sure]
    yield from _occurrences(rare, "", screen)
    shown = others if everything else [] if rare else others[:_UNSURE_SHOWN]
    yield from _occurrences(shown, f": {_MAY_BE_CHANCE}", screen)
    if len(shown) < len(others):
        yield f"and {len(others) - len(shown)} more that may well be chance: --all shows them"
    few = [len(one.values) for one in rare if len(one.values) < FEW]
    if few:
        yield from _fitted([_FEW.format(max(few))], screen)
    floored = [one for one in rare if one.at_floor and len(one.values) >= FEW]
    if floored:
        least = less_than(floored[0].chance_corrected).removeprefix("less than ")
        yield from _fitted([_FLOOR.format(least)], screen)
    if everything or not rare:
        yield from _fitted([occurrence_words(found[0], len(found))], screen)


def _occurrences(found: Sequence[Occurrence], how_sure: str, screen: Screen) -> Iterator[str]:
    """Return a table for each kind of failure."""
    for event in dict.fromkeys(one.event for one in found):
        yield ""
        heading = f"Within the nights: where {event} first came, in all the time before it{how_sure}"
        yield from _fitted([heading], screen)
        yield from table(_OCCURRENCES, (_occurrence(one) for one in found if one.event == event), screen)


def _occurrence(one: Occurrence) -> tuple[Cell, ...]:
    under = "<" if one.at_floor else ""
    return (
        f"{one.quantity}, {unit_shown(one.unit)}".removesuffix(", "),
        values_shown(one),
        f"{share_shown(one.share_otherwise)} {_AS_FAR[one.side]}",
        _percent(one.chance),
        f"{under}{_percent(one.chance_corrected)}".replace("<<", "<"),
    )


def _percent(chance: float) -> str:
    return f"{chance:.0%}" if chance >= 0.095 else f"{chance:.1%}" if chance >= 0.001 else "<0.1%"
