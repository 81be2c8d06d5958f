"""The story of a night as lines for a person: what happened in order of time, readings, failures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from manifests.findings import FindingKind
from manifests.index.readings import FRAMES, OF_THE_SKY, FrameTaken
from manifests.readings.caution import CAUTION, concerns_power
from manifests.readings.happenings import GAP, LEAST_GAP_US, Span, bursts
from manifests.readings.moments import clock
from manifests.readings.sentences import age_shown
from manifests.readings.series import HOUR_US, Series
from manifests.readings.units import decimals_among, number_shown, unit_shown
from transfer.archive.nights_told import NightTold
from transfer.cli.screen import Screen
from transfer.cli.tables import Cell, Column, Narrow, table
from transfer.cli.telling import fitted
from transfer.cli.text_plots import plot_line
from transfer.jobs.night import LEAST_USUAL_NIGHTS, AtFailure, FailureTold, NightOutcome
from transfer.words import counted

_PLOT_COLUMNS, _PLOT_WHERE_NARROW = 24, 14
_NARROW = 100
_FAILURES_SHOWN = 6
# More readings of a focus than that are a log of every step, and no runs.
_FOCUS_RUNS = 60

_READINGS = (
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("first", right=True),
    Column("last", right=True),
    Column("lowest", right=True),
    Column("highest", right=True),
    Column("unit"),
    Column("source", expendable=2),
    Column("", expendable=1, rare=True),
)
_AT_FAILURE = (
    Column("quantity", narrow=Narrow.WRAPS, least=14),
    Column("then", right=True),
    Column("before", right=True, expendable=1),
    Column("usual", right=True, rare=True),
    Column("usual range", right=True, rare=True),
    Column("unit"),
    Column("", rare=True),
)


def story_lines(outcome: NightOutcome, screen: Screen) -> Iterator[str]:
    """Return the lines of a night's story, each fitted to the screen."""
    yield from fitted(map(screen.clean, (*_head(outcome), *_what_failed(outcome))), screen.width)
    yield ""
    yield from fitted(map(screen.clean, _timeline(outcome)), screen.width)
    if outcome.told.series:
        yield ""
        yield from table(_READINGS, _rows(outcome, screen), screen)
    for failure in outcome.failures[:_FAILURES_SHOWN]:
        yield ""
        yield from fitted([screen.clean(_failure_head(outcome, failure))], screen.width)
        if failure.readings:
            yield from table(_AT_FAILURE, map(_at_failure, _most_unusual_first(failure)), screen)
            yield from fitted(map(screen.clean, _older(failure)), screen.width)
    yield from fitted(map(screen.clean, _foot(outcome)), screen.width)


def _head(outcome: NightOutcome) -> Iterator[str]:
    told, said = outcome.told, outcome.verdict
    because = f" ({said.because})" if said is not None and said.because else ""
    yield f"{outcome.title}{because}. Times are UTC."
    lights = [one for one in told.frames if one.is_light]
    hours = sum(one.exposure_s for one in lights) / 3600
    yield f"{counted(len(lights), 'light')}, {hours:.1f} h; {counted(len(told.frames), 'frame')} in all."
    if told.dark is None:
        yield "When it was dark is not known: the configuration has no latitude, or that night had none."


def _what_failed(outcome: NightOutcome) -> Iterator[str]:
    """Return the night's failures, what was unusual at each, and its longest gap: the answer in short."""
    for failure in outcome.failures[:_FAILURES_SHOWN]:
        yield f"{_failure_head(outcome, failure)}{_unusual_then(failure)}"
    longest = max(outcome.told.gaps, key=lambda gap: gap.lasted_us, default=None)
    if outcome.failures and longest is not None and longest.lasted_us >= HOUR_US:
        hours = longest.lasted_us / HOUR_US
        until = f"{clock(longest.from_us)} to {clock(longest.to_us)}"
        yield f"The longest time in the dark without a frame: {hours:.1f} h, from {until}."
    if not outcome.failures:
        yield "No failure."


def _unusual_then(told: FailureTold) -> str:
    known = [one for one in told.readings if one.usual is not None and one.quantity not in OF_THE_SKY]
    if not any(one.usual.nights >= LEAST_USUAL_NIGHTS for one in known if one.usual is not None):
        return "."
    unusual = [one for one in known if one.unusual]
    if not unusual:
        return ". All readings were as in nights that went well."
    leaders = sorted(
        (one for one in unusual if one.follows not in _names(unusual)), key=_strength, reverse=True
    )
    likely = [one for one in leaders if not one.perhaps_chance]
    chance = [one for one in leaders if one.perhaps_chance]
    fewest = min(one.usual.nights for one in unusual if one.usual is not None)
    parts = [f"Unlike in {fewest} nights that went well ({_by_chance(len(known), fewest)})"]
    if likely:
        parts[0] += f": {'; '.join(_beside_usual(one) + _with_it(one, unusual) for one in likely)}"
    if chance:
        parts.append(f"Perhaps only chance: {'; '.join(map(_beside_usual, chance))}")
    return f". {'. '.join(parts)}."


def _strength(one: AtFailure) -> tuple[float, float]:
    """Return in how many other nights that failed so it was as unusual, and how far off it is."""
    return one.again / one.again_of if one.again_of else 0.0, _far_off(one)


def _again(one: AtFailure) -> str:
    """Say in how many other nights with this failure a reading was as unusual."""
    if not one.again_of or one.follows:
        return ""
    if one.again_of == 1:
        return f"; {'so' if one.again else 'not so'} in the other night with this failure"
    if one.again == one.again_of:
        return f"; so in all {one.again} other nights with this failure"
    some = "none" if not one.again else f"only {one.again}" if one.perhaps_chance else str(one.again)
    return f"; so in {some} of {one.again_of} other nights with this failure"


def _names(readings: Iterable[AtFailure]) -> set[str]:
    return {one.quantity for one in readings}


def _far_off(one: AtFailure) -> float:
    """Return how far outside the usual range a value lies, in parts of the range."""
    assert one.usual is not None
    off = max(one.usual.lowest - one.value, one.value - one.usual.highest)
    return off / max(one.usual.highest - one.usual.lowest, 1e-9)


def _with_it(leader: AtFailure, unusual: Sequence[AtFailure]) -> str:
    followers = [_beside_usual(one) for one in unusual if one.follows == leader.quantity]
    if not followers:
        return ""
    return f", and what goes up and down with it through these nights: {', '.join(followers)}"


def _beside_usual(one: AtFailure) -> str:
    assert one.usual is not None
    decimals = decimals_among((one.value, one.usual.lowest, one.usual.highest))
    lowest, highest = (number_shown(each, decimals) for each in (one.usual.lowest, one.usual.highest))
    then = f"{number_shown(one.value, decimals)} {unit_shown(one.unit)}".rstrip()
    age = age_shown(one.age_s)
    old = f", {age} before" if age else ""
    return f"{one.quantity} {then}{old} (usually {lowest} to {highest}{_again(one)})"


def _older(told: FailureTold) -> Iterator[str]:
    """Return which values are not from the last minutes before the failure, and how old they are."""
    old: dict[str, list[str]] = {}
    for one in told.readings:
        if age := age_shown(one.age_s):
            old.setdefault(age, []).append(one.quantity)
    if old:
        ages = "; ".join(f"{', '.join(names)} {age}" for age, names in old.items())
        yield f"Not read just then, but so long before: {ages}."


def _timeline(outcome: NightOutcome) -> Iterator[str]:
    told = outcome.told
    failed = {(one.failure.at_us, one.failure.event) for one in outcome.failures}
    items = [*_sun(outcome), *_runs(told.frames), *_focus_runs(told.series)]
    for gap in told.gaps:
        mark = "!" if (gap.from_us, GAP) in failed else " "
        until = f"no frame for {gap.minutes:.0f} min, until {clock(gap.to_us)}"
        items.append((gap.from_us, mark, f"{until}{_next_due(told, gap)}"))
    for first, count in bursts(told.happenings):
        mark = "!" if (first.at_us, first.event) in failed else " "
        times = f", {count} times in a burst" if count > 1 else ""
        items.append((first.at_us, mark, f"{first.event} ({first.source}){times}"))
    for at_us, mark, text in sorted(items):
        yield f"{mark} {clock(at_us)}  {text}"


def _next_due(told: NightTold, gap: Span) -> str:
    """Say when the frame should have ended that did not come: until then all may have been well."""
    due_us = told.next_frame_by_us(gap.from_us)
    return (
        ""
        if due_us is None or due_us + LEAST_GAP_US > gap.to_us
        else f"; the next one was due by {clock(due_us)}"
    )


def _sun(outcome: NightOutcome) -> Iterator[tuple[int, str, str]]:
    told = outcome.told
    if outcome.place.latitude_deg is not None:
        yield told.up.from_us, " ", "sunset"
        yield told.up.to_us, " ", "sunrise"
    if told.dark is not None:
        yield told.dark.from_us, " ", "dark"
        yield told.dark.to_us, " ", "dawn begins"


def _runs(frames: Iterable[FrameTaken]) -> Iterator[tuple[int, str, str]]:
    """Return frames that are alike and come one after another as one line each."""

    def alike(one: FrameTaken) -> tuple[str | None, ...]:
        return (one.frame_type, one.target, one.filter)

    for (frame_type, target, name), group in groupby(frames, alike):
        run = list(group)
        what = target or frame_type or "frames of no known type"
        through = f" through {name}" if name else ""
        shortest, longest = min(one.exposure_s for one in run), max(one.exposure_s for one in run)
        exposure = f"{shortest:g}" if shortest == longest else f"{shortest:g} to {longest:g}"
        until = f", until {clock(run[-1].exposed.to_us)}" if len(run) > 1 else ""
        yield run[0].exposed.from_us, " ", f"{what}{through}: {len(run)} × {exposure} s{until}"


def _focus_runs(series: Iterable[Series]) -> Iterator[tuple[int, str, str]]:
    for one in series:
        if "focus" in one.quantity and one.source != FRAMES and len(one.records) <= _FOCUS_RUNS:
            for record in one.records:
                value = f"{record.first:g} {unit_shown(one.unit)}".rstrip()
                yield record.moment_us, " ", f"{one.quantity} {value} ({one.source})"


def _rows(outcome: NightOutcome, screen: Screen) -> Iterator[tuple[Cell, ...]]:
    """Return a row for each quantity; on a screen with a plot from sunset to sunrise."""
    columns = _PLOT_COLUMNS if (screen.width or 0) >= _NARROW else _PLOT_WHERE_NARROW
    for series in outcome.told.series:
        summary = series.summary()
        if summary is not None:
            numbers = (summary.first, summary.last, summary.lowest, summary.highest)
            decimals = decimals_among(numbers)
            shown = (number_shown(each, decimals) for each in numbers)
            plot = plot_line(series, outcome.told.up, columns, screen) if screen.width else ""
            yield (series.quantity, *shown, unit_shown(series.unit), series.source, plot)


def _failure_head(outcome: NightOutcome, told: FailureTold) -> str:
    gaps = (gap for gap in outcome.told.gaps if gap.from_us == told.failure.at_us)
    due = "".join(_next_due(outcome.told, gap) for gap in gaps) if told.failure.event == GAP else ""
    times = f", {told.failure.count} times in a burst" if told.failure.count > 1 else ""
    what = "no frame came any more" if told.failure.event == GAP else told.failure.event
    readings = "" if told.readings else "; no reading is from the half hour before"
    return f"At {clock(told.failure.at_us)}: {what}{due}{times}{readings}"


def _most_unusual_first(told: FailureTold) -> list[AtFailure]:
    return sorted(told.readings, key=lambda one: (not one.unusual, one.perhaps_chance))


def _at_failure(one: AtFailure) -> tuple[Cell, ...]:
    usual = one.usual
    known = [one.value, *([] if usual is None else (usual.lowest, usual.highest))]
    decimals = decimals_among(known)
    return (
        one.quantity,
        number_shown(one.value, decimals),
        None if one.before is None else number_shown(one.before, decimals),
        None if usual is None else number_shown(usual.middle, decimals),
        None if usual is None else " to ".join(number_shown(each, decimals) for each in known[1:]),
        unit_shown(one.unit),
        f"{one.unusual} usual" if one.unusual else "",
    )


def _by_chance(readings: int, nights: int) -> str:
    """Say how many readings lie outside the range of so many nights for no reason.

    Of a quantity that stays the same all night, each of the nights and this one are as likely to be the
    lowest, or the highest; of one that changes it is less often.
    """
    many = math.ceil(readings * 2 / (nights + 1))
    return f"up to {many} of {readings} readings may be so by chance"


def _foot(outcome: NightOutcome) -> Iterator[str]:
    told = outcome.told
    yield ""
    if told.failures and outcome.usual_from:
        which = "marked good" if outcome.usual_by_verdict else "without a mark and without a failure"
        nights = counted(len(outcome.usual_from), "night")
        yield (
            "Before: the median of the two hours before the failure. Usual: the median, the lowest and the"
            f" highest from sunset to sunrise of {nights} {which}."
        )
        if len(outcome.usual_from) < LEAST_USUAL_NIGHTS:
            yield f"So few do not say what is unusual: it takes {LEAST_USUAL_NIGHTS}."
    elif told.failures:
        yield "What is usual is not known: no other night is marked good, or went without a failure."
    if len(outcome.failures) > _FAILURES_SHOWN:
        yield f"{len(outcome.failures) - _FAILURES_SHOWN} more failures: --json lists all."
    kinds = [f"{kind} ({count})" for kind, count in told.findings.items() if kind != FindingKind.NOT_MEASURED]
    if kinds:
        yield f"Findings: {', '.join(kinds)}."
    if not_measured := told.findings.get(FindingKind.NOT_MEASURED, 0):
        yield f"The stars of {counted(not_measured, 'frame')} could not be measured."
    if outcome.behind:
        logs = counted(outcome.behind, "log")
        yield f"{logs} of this night: not read by the present descriptions. Run: nightferry index --logs"
    if told.failures:
        yield "What stands beside a failure need not have caused it."
    if any(concerns_power(series.quantity, series.unit) for series in told.series):
        yield CAUTION
