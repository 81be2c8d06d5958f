"""`nightferry compare`: nights side by side."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

import click

from manifests.readings.caution import CAUTION, concerns_power
from manifests.readings.comparing import Separation, Statistic
from manifests.readings.moments import clock
from manifests.readings.occurring import Occurrence
from manifests.readings.sentences import (
    between_shown,
    later_words,
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
_ROWS_SHOWN = 8
_TOLD_WHOLE = 3
_RARE = 0.1
_LABEL_COLUMNS, _NIGHT_COLUMNS, _NIGHTS_ON_A_PIPE = 34, 12, 12

_FLOOR = (
    "{} in any tried is the smallest chance that drawing the failures anew can find here: which of the rows"
    " that have it is the rarer one it does not tell."
)

_SEPARATIONS = (
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("statistic", narrow=Narrow.WRAPS, least=13),
    Column("poor", narrow=Narrow.WRAPS, least=9),
    Column("between"),
    Column("by chance", right=True),
    Column("in any tried", right=True),
)
_OCCURRENCES = (
    Column("failure", narrow=Narrow.WRAPS, least=10),
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("at failures", narrow=Narrow.WRAPS, least=12),
    Column("of the time"),
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
@archive_options
@ends_with_exit_code("compare", _NOTHING)
def command(
    config_file: str | None,
    archive_folder: Path | None,
    as_json: bool,
    nights: tuple[date, ...],
    expectations: tuple[str, ...],
) -> int:
    """Lay nights side by side, and say what parts those that went well from the others, and how sure that is.

    Without NIGHTS, all that have a verdict (nightferry mark). What was expected beforehand needs fewer
    nights than what is found by looking at everything: say so with --expect before you look.
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
            write_lines(_lines(outcome, screen_of(sys.stdout)))
    return int(outcome.exit_code)


def _lines(outcome: CompareOutcome, screen: Screen) -> Iterator[str]:
    """Return the answer first, then what it rests on, then the nights side by side."""
    yield from _fitted([outcome.heading, *outcome.answers], screen)
    if any(concerns_power(quantity, unit) for quantity, unit in outcome.units.items()):
        yield from _fitted([CAUTION], screen)
    if outcome.within:
        yield from _within(outcome.within, screen)
    yield from _separations(outcome, screen)
    if outcome.nights:
        yield from ("", "Nights side by side, from sunset to sunrise")
        yield from _fitted(_first_failures(outcome.nights), screen)
    for nights in _beside_each_other(outcome.nights, screen):
        yield from table(_columns(nights), _rows(outcome, nights), screen)
        yield ""
    if screen.width is not None and outcome.answers:
        yield from _fitted(["What was found stands in the first lines, above the tables."], screen)


def _first_failures(nights: Sequence[ComparedNight]) -> Iterator[str]:
    """Return, where nights failed by different events, which by which."""
    by_event: dict[str, list[str]] = {}
    for night in nights:
        if night.first_failure is not None:
            by_event.setdefault(night.first_failure.event, []).append(night.night.isoformat())
    if len(by_event) > 1:
        told = "; ".join(f"{event} in {', '.join(which)}" for event, which in by_event.items())
        yield f"First failures: {told}."


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


def _rows(outcome: CompareOutcome, nights: Sequence[ComparedNight]) -> Iterator[tuple[Cell, ...]]:
    verdicts = ("-" if night.verdict is None else night.verdict.verdict.value for night in nights)
    yield ("verdict", "", *verdicts)
    if any(night.first_failure is not None for night in outcome.nights):
        firsts = (night.first_failure for night in nights)
        yield ("first failure, UTC", "", *(None if one is None else clock(one.at_us) for one in firsts))
    telling = {one.measure.quantity for one in outcome.comparison.separations[:_TOLD_WHOLE]}
    for quantity, unit in outcome.units.items():
        # All of what parts the nights, and of the others what says most.
        statistics = list(Statistic) if quantity in telling else [Statistic.LOWEST, Statistic.HIGHEST]
        name = f"{quantity}, {unit_shown(unit)}".removesuffix(", ")
        of_all = [night.values.get(quantity, {}) for night in outcome.nights]
        levels = decimals_among(v for each in of_all for key, v in each.items() if key != Statistic.FALL)
        falls = decimals_among(each[Statistic.FALL] for each in of_all if Statistic.FALL in each)
        for statistic in (*statistics, AT_FAILURE):
            values = [night.values.get(quantity, {}).get(statistic) for night in nights]
            if any(value is not None for value in values):
                decimals = falls if statistic == Statistic.FALL else levels
                shown = (None if value is None else number_shown(value, decimals) for value in values)
                yield (name, _statistic_shown(statistic, unit), *shown)
                name = ""


def _statistic_shown(statistic: str, unit: str) -> str:
    return f"fall, {unit_shown(per_hour(unit))}" if statistic == Statistic.FALL else str(statistic)


def _separations(outcome: CompareOutcome, screen: Screen) -> Iterator[str]:
    found = outcome.comparison
    leaders = [one for one in found.separations if not one.follows and not one.later_only]
    parted = [
        ("Between the nights: what parts them", [one for one in leaders if one.sure]),
        ("Between the nights: may well be chance", [one for one in leaders if not one.sure]),
    ]
    for heading, some in parted:
        if some:
            yield ""
            yield from _fitted([f"{heading}, of {values_tried(found)}"], screen)
            yield from table(_SEPARATIONS, map(_separation, some[:_ROWS_SHOWN]), screen)
            if len(some) > _ROWS_SHOWN:
                yield f"and {len(some) - _ROWS_SHOWN} more, none of them clearer: --json lists all"
    if leaders:
        yield from _fitted(_followers(found.separations), screen)
        yield from _fitted([outcome.words(leaders[0])], screen)
    yield from _fitted(later_words(found.separations), screen)
    yield from _fitted(uneven_words(outcome.uneven), screen)


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


def _within(found: Sequence[Occurrence], screen: Screen) -> Iterator[str]:
    yield ""
    heading = "Within the nights: where the first failure of each came, in all the time before it"
    yield from _fitted([heading], screen)
    shown = [one for one in found if one.sure or one.chance <= _RARE][:_ROWS_SHOWN] or found[:1]
    yield from table(_OCCURRENCES, map(_occurrence, shown), screen)
    if len(shown) < len(found):
        yield f"and {len(found) - len(shown)} more, less rare: --json lists all"
    floored = [one for one in shown if one.at_floor]
    if len(floored) > 1:
        yield from _fitted([_FLOOR.format(_percent(floored[0].chance_corrected))], screen)
    yield from _fitted([occurrence_words(shown[0], len(found))], screen)


def _occurrence(one: Occurrence) -> tuple[Cell, ...]:
    return (
        one.event,
        f"{one.quantity}, {unit_shown(one.unit)}".removesuffix(", "),
        values_shown(one),
        f"{share_shown(one.share)} {one.side.value}",
        _percent(one.chance),
        _percent(one.chance_corrected),
    )


def _percent(chance: float) -> str:
    return f"{chance:.0%}" if chance >= 0.095 else f"{chance:.1%}" if chance >= 0.001 else "<0.1%"
