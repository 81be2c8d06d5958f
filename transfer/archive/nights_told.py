"""One night of the archive as its frames and logs tell it: series, events, gaps, failures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from statistics import median

from manifests.frames.sky.twilight import ASTRONOMICAL_DEG, NAUTICAL_DEG, SUNSET_DEG, night_dark_hours
from manifests.index.opening import Index
from manifests.index.readings import (
    FrameTaken,
    findings_of_night,
    frames_taken,
    happenings_between,
    series_between,
    series_of_frames,
)
from manifests.readings.happenings import GAP, Failure, Happening, Span, failures, gaps
from manifests.readings.moments import microseconds_of
from manifests.readings.series import Series, with_dew
from transfer.config import Site

_DEG_PER_HOUR = 15


@dataclass(frozen=True, slots=True)
class Place:
    """Where the telescope stands: the longitude tells the night, the latitude when it is dark (or None)."""

    longitude_deg: float
    latitude_deg: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class NightTold:
    """One night. Moments are microseconds since 1970, UTC.

    `up` is from sunset to sunrise, or the whole night where the site is not known: what `series` hold.
    `dark` is from the end of evening twilight to the beginning of morning's: astronomical, or in a night
    that has none nautical, or None.
    """

    night: date
    up: Span
    dark: Span | None
    frames: tuple[FrameTaken, ...]
    series: tuple[Series, ...]
    happenings: tuple[Happening, ...]
    gaps: tuple[Span, ...]
    failures: tuple[Failure, ...]
    findings: dict[str, int]

    @property
    def first_failure(self) -> Failure | None:
        """The failure after which the night was no longer as others: the first from sunset to sunrise.

        A gap before the first frame is a late start: with frames still to come, it is none.
        """
        started_us = self.frames[0].exposed.from_us if self.frames else self.up.from_us
        return next(
            (
                one
                for one in self.failures
                if self.up.from_us <= one.at_us <= self.up.to_us
                and not (one.event == GAP and one.at_us < started_us)
            ),
            None,
        )

    def next_frame_by_us(self, from_us: int) -> int | None:
        """Return when the frame should have ended that would have come after the one that ended at a moment.

        It is as long as that one, and comes after the usual pause. None where no frame ended then.
        """
        ended = [one for one in self.frames if one.exposed.to_us == from_us]
        if not ended:
            return None
        pauses = [
            later.exposed.from_us - one.exposed.to_us
            for one, later in pairwise(self.frames)
            if later.exposed.from_us >= one.exposed.to_us
        ]
        return from_us + int(median(pauses) if pauses else 0) + ended[-1].exposed.lasted_us

    def label(self, series: Series) -> str:
        """Return a series' quantity, with its source where several sources have one of that name."""
        same = sum(one.quantity == series.quantity for one in self.series)
        return series.quantity if same == 1 else f"{series.quantity} ({series.source})"


def place_of(site: Site | None, longitude_deg: float) -> Place:
    """Return where the nights are told from."""
    if site is None:
        return Place(longitude_deg)
    return Place(longitude_deg, site.latitude_deg, site.name)


def night_told(index: Index, night: date, place: Place, counted: Sequence[str] = (GAP,)) -> NightTold:
    """Return what the index knows of a night; `counted` are the events that are failures.

    Raises IndexFault.
    """
    whole = span_of_night(night, place.longitude_deg)
    up = _sun_below(night, place, SUNSET_DEG) or whole
    dark = _sun_below(night, place, ASTRONOMICAL_DEG) or _sun_below(night, place, NAUTICAL_DEG)
    frames = frames_taken(index, night)
    of_frames = [one.within(up.from_us, up.to_us) for one in series_of_frames(frames)]
    found = [*series_between(index, up), *of_frames]
    happened = happenings_between(index, whole)
    without_a_frame = gaps((one.exposed for one in frames), dark)
    return NightTold(
        night=night,
        up=up,
        dark=dark,
        frames=tuple(frames),
        series=tuple(one for one in with_dew(found) if one.records),
        happenings=tuple(happened),
        gaps=without_a_frame,
        failures=failures(happened, without_a_frame, counted),
        findings=findings_of_night(index, night),
    )


def span_of_night(night: date, longitude_deg: float) -> Span:
    """Return a night from local mean noon to the next one."""
    noon = datetime(night.year, night.month, night.day, 12, tzinfo=UTC)
    begun = noon - timedelta(hours=longitude_deg / _DEG_PER_HOUR)
    return Span(microseconds_of(begun), microseconds_of(begun + timedelta(days=1)) - 1)


def _sun_below(night: date, place: Place, limit_deg: float) -> Span | None:
    if place.latitude_deg is None:
        return None
    hours = night_dark_hours(night, place.latitude_deg, place.longitude_deg, limit_deg)
    return None if hours is None else Span(microseconds_of(hours.dusk_utc), microseconds_of(hours.dawn_utc))
