"""The story of one night, and at each failure what every reading was, beside what it usually is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from statistics import median
from typing import Any

from manifests.index.nights import nights
from manifests.index.opening import Index
from manifests.index.statements import verdicts
from manifests.readings.happenings import GAP, Failure, Span
from manifests.readings.moments import utc
from manifests.readings.series import HOUR_US, Series
from manifests.readings.together import go_together
from manifests.readings.verdicts import NightVerdict, Verdict
from transfer.archive.logs import logs_behind
from transfer.archive.nights_told import NightTold, Place, night_told
from transfer.config import Config
from transfer.errors import ConfigurationError, ExitCode

# Of the nights that went well, the nearest so many say what is usual.
USUAL_NIGHTS = 30
# Outside the range of two other nights lies, by chance, what is the same all night two times in three.
LEAST_USUAL_NIGHTS = 3
_HOURS_BEFORE_US = 2 * HOUR_US


@dataclass(frozen=True, slots=True)
class Usual:
    """What a quantity is in the nights that went well: the median, and from where to where it went."""

    middle: float
    lowest: float
    highest: float
    nights: int

    def side_of(self, value: float) -> str:
        """Say on which side of all that is usual a value lies: "below", "above" or nothing.

        Fewer than LEAST_USUAL_NIGHTS do not say it.
        """
        if self.nights < LEAST_USUAL_NIGHTS:
            return ""
        return "below" if value < self.lowest else "above" if value > self.highest else ""


@dataclass(frozen=True, slots=True)
class AtFailure:
    """A quantity at a failure: its value, its median in the two hours before, and what is usual, or None.

    `age_s` is how long before the failure the value was read. `again` counts, of `again_of` other nights that
    failed by the same event and have such a reading then, those in which it was unusual to the same side.
    `follows` names a quantity that is unusual as well, and goes together with this one through these nights.
    """

    quantity: str
    unit: str
    value: float
    age_s: float
    before: float | None
    usual: Usual | None
    again: int = 0
    again_of: int = 0
    follows: str = ""

    @property
    def unusual(self) -> str:
        """Say on which side of all that is usual the value lies: "below", "above" or nothing."""
        return "" if self.usual is None else self.usual.side_of(self.value)

    @property
    def perhaps_chance(self) -> bool:
        """Whether it was unusual here, but in fewer than half of two or more other nights that failed so."""
        return bool(self.unusual) and self.again_of > 1 and 2 * self.again < self.again_of

    def as_json(self) -> dict[str, Any]:
        """Return the reading as `--json` prints it."""
        usual = self.usual
        return {
            "quantity": self.quantity,
            "value": self.value,
            "usual": None if usual is None else usual.middle,
            "unit": self.unit,
            "before": self.before,
            "usual_lowest": None if usual is None else usual.lowest,
            "usual_highest": None if usual is None else usual.highest,
            "usual_nights": 0 if usual is None else usual.nights,
            "unusual": self.unusual,
            "age_s": round(self.age_s, 1),
            "again": self.again,
            "again_of": self.again_of,
            "follows": self.follows,
        }


@dataclass(frozen=True, slots=True)
class FailureTold:
    """A failure, and what every reading was at that moment."""

    failure: Failure
    readings: tuple[AtFailure, ...]


@dataclass(frozen=True, slots=True)
class NightOutcome:
    """One night's story.

    `usual_from` are the nights that say what is usual: those that are marked good, or, where none is
    (`usual_by_verdict`), those without a mark and a failure. `behind` counts logs that no run has read by the
    present descriptions.
    """

    told: NightTold
    verdict: NightVerdict | None
    place: Place
    failures: tuple[FailureTold, ...]
    usual_from: tuple[date, ...]
    usual_by_verdict: bool
    behind: int

    @property
    def exit_code(self) -> ExitCode:
        """A story is told; nothing in it is a proof."""
        return ExitCode.PROVEN

    @property
    def message(self) -> str:
        """Return the night in one line."""
        told = self.told
        failed = len(told.failures)
        many = "no failure" if not failed else "1 failure" if failed == 1 else f"{failed} failures"
        said = f", marked {self.verdict.verdict}" if self.verdict is not None else ""
        return f"The night of {told.night}{said}: {len(told.frames)} frames, {many}."

    @property
    def title(self) -> str:
        """Return the night's name, with its site and its verdict."""
        where = f" at {self.place.name}" if self.place.name else ""
        said = f", marked {self.verdict.verdict}" if self.verdict is not None else ""
        return f"The night of {self.told.night}{where}{said}"

    def as_json(self) -> dict[str, Any]:
        """Return the night as `--json` prints it."""
        told = self.told
        return {
            "command": "night",
            "exit": int(self.exit_code),
            "message": self.message,
            "night": told.night.isoformat(),
            "verdict": None if self.verdict is None else self.verdict.verdict.value,
            "because": "" if self.verdict is None else self.verdict.because,
            "dark": None if told.dark is None else _span_as_json(told.dark),
            "readings": [one for series in told.series for one in _reading_as_json(series)],
            "events": [
                {"utc": utc(one.at_us), "event": one.event, "source": one.source, "path": one.path}
                for one in told.happenings
            ],
            "gaps": [{**_span_as_json(gap), "minutes": round(gap.minutes, 1)} for gap in told.gaps],
            "failures": [
                {
                    "utc": utc(one.failure.at_us),
                    "event": one.failure.event,
                    "count": one.failure.count,
                    "readings": [each.as_json() for each in one.readings],
                }
                for one in self.failures
            ],
            "usual_from": [night.isoformat() for night in self.usual_from],
            "logs_behind": self.behind,
            "finding_counts": told.findings,
            "findings": [],
        }


def _span_as_json(span: Span) -> dict[str, str]:
    return {"from_utc": utc(span.from_us), "to_utc": utc(span.to_us)}


def _reading_as_json(series: Series) -> Iterator[dict[str, Any]]:
    summary = series.summary()
    if summary is not None:
        yield {
            "quantity": series.quantity,
            "unit": series.unit,
            "source": series.source,
            "first": summary.first,
            "last": summary.last,
            "lowest": summary.lowest,
            "highest": summary.highest,
            "count": summary.count,
            "fall_per_hour": summary.fall_per_hour,
        }


def tell_night(index: Index, root: Path, night: date, config: Config, place: Place) -> NightOutcome:
    """Return the story of a night of the archive in a folder.

    Raises ConfigurationError where the archive has nothing of that night, and IndexFault.
    """
    rows = {row.night: row for row in nights(index)}
    if night not in rows:
        step = "A night is named by the date of its evening; `nightferry nights` lists them."
        raise ConfigurationError(f"The archive has nothing of the night of {night}", "", step)
    counted = config.failures or (GAP,)
    told = night_told(index, night, place, counted)
    said = verdicts(index)
    well, by_verdict = _went_well(rows, said, night)
    others = [night_told(index, each, place, counted) for each in well]
    failed = _told_of_failed(index, rows, said, told, place, counted)
    if not by_verdict:
        others = [each for each in others if not each.failures]
    return NightOutcome(
        told=told,
        verdict=said.get(night),
        place=place,
        failures=tuple(_failure(told, failure, others, failed) for failure in told.failures),
        usual_from=tuple(each.night for each in others),
        usual_by_verdict=by_verdict,
        behind=logs_behind(index, root, config, night),
    )


def _went_well(rows: dict[date, Any], said: dict[date, NightVerdict], night: date) -> tuple[list[date], bool]:
    """Return the nearest nights that are marked good; where none is, those that are not marked otherwise."""
    good = [each for each, verdict in said.items() if verdict.verdict is Verdict.GOOD and each != night]
    unmarked = [each for each in rows if each not in said and each != night]
    chosen = good or unmarked
    return sorted(sorted(chosen, key=lambda each: abs(each - night))[:USUAL_NIGHTS]), bool(good)


def _told_of_failed(
    index: Index,
    rows: Iterable[date],
    said: Mapping[date, NightVerdict],
    told: NightTold,
    place: Place,
    counted: Sequence[str],
) -> list[NightTold]:
    """Return the nearest other nights that did not go well, where this one failed."""
    if not told.failures:
        return []
    good = {each for each, verdict in said.items() if verdict.verdict is Verdict.GOOD}
    near = sorted(
        (each for each in rows if each not in good | {told.night}), key=lambda each: abs(each - told.night)
    )
    return [night_told(index, each, place, counted) for each in near[:USUAL_NIGHTS]]


def _failure(
    told: NightTold, failure: Failure, others: Sequence[NightTold], failed: Sequence[NightTold]
) -> FailureTold:
    there = [series for series in told.series if series.at(failure.at_us) is not None]
    first = ((each, [one for one in each.failures if one.event == failure.event]) for each in failed)
    alike = [(each, same[0].at_us) for each, same in first if same]
    found: list[AtFailure] = []
    leaders: list[tuple[str, Series]] = []
    for series, one in zip(there, _at_failure(told, failure, there, others), strict=True):
        if one.unusual:
            follows = next((name for name, leader in leaders if _together(leader, series, others)), "")
            leaders += [] if follows else [(one.quantity, series)]
            again = [side == one.unusual for side in _sides(series, one.usual, alike)]
            found.append(replace(one, follows=follows, again=sum(again), again_of=len(again)))
        else:
            found.append(one)
    return FailureTold(failure, tuple(found))


def _sides(series: Series, usual: Usual | None, alike: Sequence[tuple[NightTold, int]]) -> Iterator[str]:
    """Return on which side of what is usual a quantity was at the same failure of other nights."""
    for night, at_us in alike:
        same = _same(series, night)
        value = None if same is None else same.at(at_us)
        if usual is not None and value is not None:
            yield usual.side_of(value)


def _at_failure(
    told: NightTold, failure: Failure, there: Sequence[Series], others: Sequence[NightTold]
) -> Iterator[AtFailure]:
    for series in there:
        record = series.record_at(failure.at_us)
        if record is not None:
            before = series.within(failure.at_us - _HOURS_BEFORE_US, failure.at_us - 1).middle()
            age_s = (failure.at_us - record.moment_us) / 1e6
            usual = _usual(series, others)
            yield AtFailure(told.label(series), series.unit, record.first, age_s, before, usual)


def _together(one: Series, other: Series, others: Sequence[NightTold]) -> bool:
    """Return whether two quantities go together in the night and in those that say what is usual."""
    return go_together([(one, other), *((_same(one, each), _same(other, each)) for each in others)])


def _same(series: Series, other: NightTold) -> Series | None:
    key = series.source, series.quantity, series.unit
    return next((one for one in other.series if (one.source, one.quantity, one.unit) == key), None)


def _usual(series: Series, others: Sequence[NightTold]) -> Usual | None:
    same = [one for other in others if (one := _same(series, other)) is not None]
    middles = [middle for one in same if (middle := one.middle()) is not None]
    if not middles:
        return None
    lowest = min(record.lowest for one in same for record in one.records)
    highest = max(record.highest for one in same for record in one.records)
    return Usual(median(middles), lowest, highest, len(same))
