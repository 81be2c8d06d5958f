"""Nights side by side: what parts those that went well from the others, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from manifests.index.nights import NightRow
from manifests.index.nights import nights as nights_of
from manifests.index.opening import Index
from manifests.index.readings import BETWEEN_EXPOSURES
from manifests.index.statements import verdicts
from manifests.readings.answers import answers
from manifests.readings.comparing import Comparison, Measure, Parting, Separation, Side, Statistic, compare
from manifests.readings.happenings import GAP, Failure
from manifests.readings.measuring import Observed, Uneven, measured, value_of
from manifests.readings.moments import utc
from manifests.readings.occurring import Occurrence, occurrences
from manifests.readings.sentences import occurrence_words, separation_words
from manifests.readings.series import DERIVED, Series, Summary, series_of
from manifests.readings.verdicts import NightVerdict, Verdict
from manifests.readings.watched import Watched
from transfer.archive.nights_told import NightTold, Place, night_told
from transfer.config import Config
from transfer.errors import ConfigurationError, ExitCode
from transfer.words import counted

AT_FAILURE = "at failure"
_HOURS = "hours after sunset"
_ELAPSED = "elapsed"
_STEP_US = 600 * 1_000_000

Key = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class ComparedNight:
    """One night: its verdict, and by quantity its statistics; `AT_FAILURE` where it had a failure.

    `failures` counts all of them, `first_failure` is the one that `AT_FAILURE` is about, and `ages_s` says of
    each quantity how long before it its value was read. `other_events` are failures of other kinds.
    """

    night: date
    verdict: NightVerdict | None
    values: Mapping[str, Mapping[str, float]]
    failures: int
    first_failure: Failure | None = None
    ages_s: Mapping[str, float] = field(default_factory=dict)
    other_events: tuple[str, ...] = ()

    @property
    def poor(self) -> bool:
        """Whether it is marked poor or lost."""
        return self.verdict is not None and self.verdict.verdict is not Verdict.GOOD

    def as_json(self) -> dict[str, Any]:
        """Return the night as `--json` prints it."""
        first = self.first_failure
        return {
            "night": self.night.isoformat(),
            "verdict": None if self.verdict is None else self.verdict.verdict.value,
            "values": {quantity: dict(values) for quantity, values in self.values.items()},
            "failures": self.failures,
            "first_failure": None if first is None else {"utc": utc(first.at_us), "event": first.event},
            "at_failure_age_s": {quantity: round(age_s, 1) for quantity, age_s in self.ages_s.items()},
            "other_failures": list(self.other_events),
        }


@dataclass(frozen=True, slots=True)
class CompareOutcome:
    """Nights side by side. `units` are those of the quantities; `within` says where failures came.

    `uneven` are the quantities of which the poor nights have fewer readings than the good ones, or more.
    `left_out` are the archive's nights that nobody asked for and that have no verdict.
    """

    nights: tuple[ComparedNight, ...]
    units: Mapping[str, str]
    comparison: Comparison
    within: tuple[Occurrence, ...]
    uneven: tuple[Uneven, ...] = ()
    expected: Mapping[tuple[str, Statistic], Side] = field(default_factory=dict)
    left_out: tuple[date, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Return that it is done: a comparison proves nothing about files."""
        return ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return in a few sentences what was compared, what was found, and how sure that is."""
        return " ".join((self.heading, *self.answers))

    @property
    def heading(self) -> str:
        """Return how many nights of which kind were compared, and which were not."""
        found = self.comparison
        nights = counted(len(self.nights), "night")
        if found.poor and found.good:
            return f"{nights}: {found.poor} poor or lost, {found.good} good.{self._without_verdict}"
        marked = "some must be marked good and some poor or lost: nightferry mark NIGHT good"
        return f"{nights} side by side. To say what parts them, {marked}."

    @property
    def _without_verdict(self) -> str:
        unmarked = len(self.nights) - len(self.marked)
        told = f" {unmarked} without a verdict: only shown beside them." if unmarked else ""
        if self.left_out:
            count = len(self.left_out)
            have, are = ("has", "is") if count == 1 else ("have", "are")
            told += f" {count:,} more {have} no verdict and {are} left out: say of each how it went by"
            told += " nightferry mark NIGHT good (or poor, or lost)."
        return told

    @property
    def answers(self) -> tuple[str, ...]:
        """Return what was found as sentences, the surest first; none without both kinds of nights."""
        if not self.nights:
            return ()
        failed = {
            night.night.isoformat(): "" if night.first_failure is None else night.first_failure.event
            for night in self.nights
            if night.poor
        }
        return answers(self.comparison, self.within, self.marked, failed)

    @property
    def marked(self) -> list[str]:
        """The nights that have a verdict, which are those that were tried."""
        return [night.night.isoformat() for night in self.nights if night.verdict is not None]

    def words(self, one: Separation) -> str:
        """Return a separation in sentences."""
        return separation_words(one, self.comparison, self.marked)

    def as_json(self) -> dict[str, Any]:
        """Return the comparison as `--json` prints it."""
        return {
            "command": "compare",
            "exit": int(self.exit_code),
            "message": self.message,
            "nights": [night.as_json() for night in self.nights],
            "units": dict(self.units),
            "separations": [self._separation(one) for one in self.comparison.separations],
            "tried": self.comparison.tried,
            "within": [self._occurrence(one) for one in self.within],
            "uneven": [
                {
                    "quantity": one.quantity,
                    "fewer": "poor" if one.poor_have_fewer else "good",
                    "hours_in_common": None if one.hours is None else list(one.hours),
                }
                for one in self.uneven
            ],
            "left_out": [night.isoformat() for night in self.left_out],
            "findings": [],
        }

    def _separation(self, one: Separation) -> dict[str, Any]:
        return {
            "quantity": one.measure.quantity,
            "unit": one.measure.unit,
            "statistic": one.measure.what,
            "hours_after_sunset": None if one.measure.hours is None else list(one.measure.hours),
            "poor_side": one.poor_side.value,
            "between": list(one.whole.between),
            "exceptions": self._exceptions(one.whole),
            "chance": one.chance,
            "chance_below": one.whole.chances.below,
            "chance_above": one.whole.chances.above,
            "chance_either": one.whole.chances.either,
            "without_later_hours": None
            if one.without is None
            else {
                "between": list(one.without.between),
                "exceptions": self._exceptions(one.without),
                "chance": one.without.chance(one.poor_side, one.expected),
            },
            "only_with_later_hours": one.later_only,
            "chance_corrected": one.chance_corrected,
            "expected": one.expected,
            "sure": one.sure,
            "follows": one.follows,
            "words": self.words(one),
        }

    def _exceptions(self, found: Parting) -> list[str]:
        return [self.marked[place] for place in found.exceptions]

    def _occurrence(self, one: Occurrence) -> dict[str, Any]:
        return {
            "event": one.event,
            "quantity": one.quantity,
            "unit": one.unit,
            "side": one.side.value,
            "values": list(one.values),
            "share": one.share,
            "share_otherwise": one.share_otherwise,
            "next_value": one.next_value,
            "oldest_s": round(one.oldest_s, 1),
            "chance": one.chance,
            "chance_corrected": one.chance_corrected,
            "sure": one.sure,
            "at_floor": one.at_floor,
            "follows": one.follows,
            "words": occurrence_words(one, len(self.within)),
        }


def compare_nights(
    index: Index, config: Config, place: Place, asked: Sequence[date], expectations: Sequence[str]
) -> CompareOutcome:
    """Lay nights side by side: those that were asked for, else all that have a verdict.

    Raises ConfigurationError where the archive has nothing of a night that was asked for, or an expectation
    names no quantity of theirs, and IndexFault.
    """
    said = verdicts(index)
    chosen = sorted(set(asked)) if asked else sorted(said)
    known = {row.night: row for row in nights_of(index)}
    for night in asked:
        if night not in known:
            step = "A night is named by the date of its evening; `nightferry nights` lists them."
            raise ConfigurationError(f"The archive has nothing of the night of {night}", "", step)
    counted_events = config.failures or (GAP,)
    told = [night_told(index, night, place, counted_events) for night in chosen]
    labels = _labels(told)
    compared = tuple(_compared(each, said.get(each.night), labels) for each in told)
    marked = [(each, one.poor) for each, one in zip(told, compared, strict=True) if one.verdict is not None]
    measures, uneven = _measures(marked, labels)
    expected = _expected(expectations, {one.quantity for one in measures})
    return CompareOutcome(
        nights=compared,
        units={labels[key]: key[2] for key in labels},
        comparison=compare(measures, [poor for _, poor in marked], expected),
        within=_within(told, labels),
        uneven=tuple(uneven),
        expected=expected,
        left_out=()
        if asked
        else tuple(night for night in known if night not in said and _is_of_sky(known[night])),
    )


def _is_of_sky(row: NightRow) -> bool:
    """Return whether a night has lights or logs: what has calibration frames alone has nothing to compare."""
    return row.exposure_s > 0 or row.logs > 0


def _key(series: Series) -> Key:
    return series.source, series.quantity, series.unit


def _labels(told: Sequence[NightTold]) -> dict[Key, str]:
    """Return what each series is called: its quantity, with its source or unit where that is not enough."""
    keys = list(dict.fromkeys(_key(series) for night in told for series in night.series))
    labels: dict[Key, str] = {}
    for source, quantity, unit in keys:
        same = [key for key in keys if key[1] == quantity]
        of_source = [key for key in same if key[0] == source]
        name = quantity if len(same) == 1 else f"{quantity} ({source})"
        labels[source, quantity, unit] = (
            name if len(of_source) == 1 else f"{name} in {unit or 'bare numbers'}"
        )
    return labels


def _compared(told: NightTold, said: NightVerdict | None, labels: Mapping[Key, str]) -> ComparedNight:
    values: dict[str, Mapping[str, float]] = {}
    ages_s: dict[str, float] = {}
    failed_us = _failed_us(told)
    for series in told.series:
        summary = series.summary()
        if summary is not None:
            label, at = labels[_key(series)], None if failed_us is None else series.record_at(failed_us)
            values[label] = _statistics(summary) | ({} if at is None else {AT_FAILURE: at.first})
            if failed_us is not None and at is not None:
                ages_s[label] = (failed_us - at.moment_us) / 1e6
    first = told.first_failure
    others = dict.fromkeys(
        one.event for one in told.failures if first is not None and one.event != first.event
    )
    return ComparedNight(told.night, said, values, len(told.failures), first, ages_s, tuple(others))


def _statistics(summary: Summary) -> dict[str, float]:
    return {one.value: value for one in Statistic if (value := value_of(summary, one)) is not None}


def _measures(
    marked: Sequence[tuple[NightTold, bool]], labels: Mapping[Key, str]
) -> tuple[list[Measure], list[Uneven]]:
    """Return what is compared of each quantity in marked nights, and of which the nights have unlike many."""
    measures: list[Measure] = []
    uneven: list[Uneven] = []
    for key, label in labels.items():
        if key[1] == BETWEEN_EXPOSURES:  # a long one is the failure itself
            continue
        nights = [
            Observed(_series_of(night, key), night.up.from_us, poor, _failed_us(night))
            for night, poor in marked
        ]
        found, differs = measured(label, key[2], nights, key[1] in DERIVED)
        measures += found
        uneven += [] if differs is None else [differs]
    return measures, uneven


def _failed_us(night: NightTold) -> int | None:
    return None if night.first_failure is None else night.first_failure.at_us


def _series_of(night: NightTold, key: Key) -> Series | None:
    return next((series for series in night.series if _key(series) == key), None)


def _expected(written: Sequence[str], quantities: set[str]) -> dict[tuple[str, Statistic], Side]:
    """Read expectations such as "air temperature below" or "fall per hour of air temperature above".

    Below is of the lowest, above of the highest, where no statistic is named. Raises ConfigurationError.
    """
    expected: dict[tuple[str, Statistic], Side] = {}
    by_name = {quantity.casefold(): quantity for quantity in quantities}
    for each in written:
        rest, _, last = each.strip().casefold().rpartition(" ")
        if last not in (Side.BELOW, Side.ABOVE):
            raise ConfigurationError(f'--expect {each!r} does not end in "below" or "above"')
        side = Side(last)
        statistic = Statistic.LOWEST if side is Side.BELOW else Statistic.HIGHEST
        for named in Statistic:
            for before in (f"{named} of ", f"{named} "):
                if rest.startswith(before) and rest not in by_name:
                    statistic, rest = named, rest.removeprefix(before)
        if rest.strip() not in by_name:
            known = ", ".join(sorted(quantities)) or "none: no marked night has readings"
            raise ConfigurationError(f"--expect {each!r} names no quantity of these nights ({known})")
        expected[by_name[rest.strip()], statistic] = side
    return expected


def _within(told: Sequence[NightTold], labels: Mapping[Key, str]) -> tuple[Occurrence, ...]:
    """Return where the first failure of each night came, in every quantity and in the time of the night."""
    return occurrences([_watched(night, labels) for night in told])


def _watched(night: NightTold, labels: Mapping[Key, str]) -> Watched:
    series = {
        (labels.get(_key(each), each.quantity), each.unit): each
        for each in (*night.series, _elapsed(night))
        if each.quantity != BETWEEN_EXPOSURES
    }
    return Watched(night.up, night.first_failure, series)


def _elapsed(night: NightTold) -> Series:
    """Return the hours after sunset as a quantity: what comes late comes in the cold, too."""
    begun, ended = night.up
    moments = range(begun, ended, _STEP_US)
    return series_of(_ELAPSED, _HOURS, "h", ((at_us, (at_us - begun) / 3.6e9) for at_us in moments))
