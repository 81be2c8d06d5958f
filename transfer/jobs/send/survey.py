"""The configured folders as they are now: every file, and the night it belongs to."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from manifests.findings import Finding, FindingKind
from manifests.frames.endings import looks_like_a_frame
from manifests.frames.nights import frame_night, night_of, night_of_ns
from transfer.config import Config, Source, SourceKind
from transfer.config.longitude import longitude_of
from transfer.config.patterns import near_misses
from transfer.engine.medium import Medium
from transfer.engine.records import Records
from transfer.engine.sources import SourceFile, walk
from transfer.errors import NotThere
from transfer.words import counted


@dataclass(slots=True)
class Survey:
    """All files below the sources by night, and what was noticed on the way.

    `not_taken` are files that no pattern takes, by the nights of their own times.
    `newest_frame_night` is None where there is no frame. No frame of a night after `latest_night` counts for
    it: a clock that was ahead for one night would make that night tonight for years. Findings carry
    `source/path`.
    """

    longitude_deg: float
    latest_night: date = date.max
    nights: dict[date, list[SourceFile]] = field(default_factory=dict)
    not_taken: dict[date, list[SourceFile]] = field(default_factory=dict)
    newest_frame_night: date | None = None
    findings: list[Finding] = field(default_factory=list)
    folders: dict[str, Path] = field(default_factory=dict)

    def add(self, file: SourceFile, night: date) -> None:
        """Add a file to its night."""
        self.nights.setdefault(night, []).append(file)

    def add_not_taken(self, file: SourceFile) -> None:
        """Add a file that no pattern takes to the night of its time."""
        night = night_of_ns(file.modified_ns, self.longitude_deg)
        self.not_taken.setdefault(night, []).append(file)

    def path_of(self, file: SourceFile) -> str:
        """Return where a file is on this computer."""
        return f"{self.folders[file.source]}/{file.path}"


def every_file(_file: SourceFile) -> bool:
    """Return True for every file."""
    return True


def survey(
    config: Config,
    records: Records,
    medium: Medium,
    now: datetime,
    keep_out: Collection[Path] = (),
    is_wanted: Callable[[SourceFile], bool] = every_file,
) -> Survey:
    """Walk every source and date every file that is wanted; no link leads into a folder of `keep_out`.

    The header of a frame that was not met before is read, no more of it than that; one that cannot be
    opened is tried again when all else was looked at. A source folder that is not there is a finding;
    where none is there, NotThere is raised.
    """
    longitude_deg, guessed = longitude_of(config, now)
    # A day more than the computer's clock says: it may be slow, or know of no zone.
    result = Survey(longitude_deg, night_of(now, longitude_deg) + timedelta(days=1))
    if guessed is not None:
        result.findings.append(guessed)
    seen = records.nights(longitude_deg)
    frames: dict[str, dict[str, list[Any]]] = {}
    unread: list[_Unread] = []
    absent: list[NotThere] = []
    elsewhere: list[dict[str, Finding]] = []
    for source in config.sources:
        result.folders[source.name] = source.folder
        nights = _FrameNights(source, medium, longitude_deg, seen.get(source.name, {}))
        try:
            unread += _add_source(result, source, nights, keep_out, is_wanted)
        except NotThere as error:
            # One folder that is not there keeps no other's files from the drive.
            absent.append(error)
            result.findings.append(Finding(FindingKind.SOURCE_ABSENT, str(source.folder), source.name))
        frames[source.name] = nights.rows
        elsewhere.append(nights.elsewhere)
    if absent and len(absent) == len(config.sources):
        raise absent[0]
    for each in unread:
        _try_again(result, each, medium)
    result.findings += _dated_ahead(result, now)
    if guessed is None:
        result.findings += [found for by_detail in elsewhere for found in by_detail.values()]
    if frames != seen:
        records.keep_nights(longitude_deg, frames)
    return result


def _dated_ahead(result: Survey, now: datetime) -> Iterator[Finding]:
    """Yield a finding for each night that is still to come: it would not be tonight when it is."""
    for night in sorted(night for night in result.nights if night > result.latest_night):
        files = result.nights[night]
        detail = (
            f"{counted(len(files), 'file')} of the night {night}, and this computer's clock says "
            f"{now.date()}: one of the clocks is wrong"
        )
        first = min(files)
        yield Finding(FindingKind.DATED_AHEAD, detail, f"{first.source}/{first.path}")


def _add_source(
    result: Survey,
    source: Source,
    nights: _FrameNights,
    keep_out: Collection[Path],
    is_wanted: Callable[[SourceFile], bool],
) -> list[_Unread]:
    """Add a source's files, but for the frames that cannot be opened now, which are returned."""
    count = 0
    unread: list[_Unread] = []
    may_be_newest = source.kind is SourceKind.FRAMES
    for file in walk(source, keep_out, result.add_not_taken):
        count += isinstance(file, SourceFile)
        if isinstance(file, Finding):
            result.findings.append(Finding(file.kind, file.detail, f"{source.name}/{file.path}"))
        elif not is_wanted(file):
            continue
        elif looks_like_a_frame(file.path):
            try:
                _add_frame(result, file, nights, may_be_newest)
            except OSError:
                unread.append(_Unread(file, nights, may_be_newest))
        else:
            result.add(file, night_of_ns(file.modified_ns, result.longitude_deg))
    if not count:
        result.findings.append(Finding(FindingKind.NOTHING_MATCHED, _what_is_there(source), source.name))
    return unread


def _what_is_there(source: Source) -> str:
    """Say what lies in a source whose patterns match nothing, and which pattern may have been meant."""
    everything = replace(source, take=("**",), leave=())
    there = [file.path for file in walk(everything) if isinstance(file, SourceFile)]
    if not there:
        return f"there is no file in {source.folder}"
    near = [
        f"{miss.pattern!r} matches none, {miss.instead!r} would match {miss.count}, such as {miss.example}"
        for miss in near_misses(source.take, there)
    ]
    return "; ".join(near) or f"there are {len(there)} other files in {source.folder}, such as {min(there)}"


def _add_frame(result: Survey, file: SourceFile, nights: _FrameNights, may_be_newest: bool) -> None:
    """Date a frame. One whose header has no date does not count for which night is tonight."""
    night, has_date = nights.of(file)
    result.add(file, night)
    if may_be_newest and has_date and night <= result.latest_night:
        result.newest_frame_night = max(night, result.newest_frame_night or night)


class _Unread(NamedTuple):
    """A frame that could not be opened at first."""

    file: SourceFile
    nights: _FrameNights
    may_be_newest: bool


def _try_again(result: Survey, unread: _Unread, medium: Medium) -> None:
    """Date a frame that could not be opened before; else by its time, which is not remembered.

    The copier meets it again, and reports what is wrong with it.
    """
    file = unread.file
    try:
        _add_frame(result, file, unread.nights, unread.may_be_newest)
    except OSError as error:
        night = night_of_ns(file.modified_ns, result.longitude_deg)
        result.add(file, night)
        if medium.is_locked(error):
            detail = f"its header could not be read, and {night} is taken from its time"
            result.findings.append(Finding(FindingKind.LOCKED, detail, f"{file.source}/{file.path}"))


class _FrameNights:
    """The nights of one source's frames: remembered where size and time still fit, else read.

    `elsewhere` has a finding for each site, far from the configured one, that headers name.
    """

    def __init__(
        self, source: Source, medium: Medium, longitude_deg: float, seen: dict[str, list[Any]]
    ) -> None:
        self.rows: dict[str, list[Any]] = {}
        self.elsewhere: dict[str, Finding] = {}
        self._folder = source.folder
        self._medium = medium
        self._longitude_deg = longitude_deg
        self._seen = seen

    def of(self, file: SourceFile) -> tuple[date, bool]:
        """Return the frame's night, and whether its header gives a date. Raises OSError."""
        row = self._seen.get(file.path)
        if row is None or row[0] != file.size_bytes or row[1] != file.modified_ns:
            night, has_date = self._read(file)
            row = [file.size_bytes, file.modified_ns, night.isoformat(), has_date]
        self.rows[file.path] = row
        return date.fromisoformat(row[2]), bool(row[3])

    def _read(self, file: SourceFile) -> tuple[date, bool]:
        # What reads headers is slow to load, and a run that meets no new frame reads none.
        from manifests.frames.inspection import look_at_open_file

        with os.fdopen(self._medium.open_source(f"{self._folder}/{file.path}"), "rb") as opened:
            inspection = look_at_open_file(opened)
        night, findings = frame_night(inspection, file.modified_ns, self._longitude_deg)
        for found in findings:
            if found.kind is FindingKind.SITE_ELSEWHERE:
                shown = Finding(found.kind, found.detail, f"{file.source}/{file.path}")
                self.elsewhere.setdefault(found.detail, shown)
        has_utc = inspection.frame is not None and inspection.frame.begun_utc is not None
        return night, has_utc or inspection.begun_local is not None


@dataclass(frozen=True, slots=True)
class Scope:
    """Which nights a person asked for: by name, from one on, or all; else tonight."""

    nights: frozenset[date] = frozenset()
    since: date | None = None
    everything: bool = False

    @property
    def is_tonight(self) -> bool:
        """Whether nobody asked for certain nights."""
        return self == TONIGHT

    @property
    def told(self) -> str:
        """What was asked for, in words."""
        words = sorted(night.isoformat() for night in self.nights)
        words += [] if self.since is None else [f"since {self.since.isoformat()}"]
        return ", ".join([*words, *(["all"] if self.everything else [])])


TONIGHT = Scope()


def chosen_nights(found: Survey, scope: Scope, unfinished: frozenset[date]) -> list[date]:
    """Choose the nights of one run, the newest first.

    Tonight is the night of the newest frame, with what is later still: a night of clouds leaves only
    logs, and they tell why. An earlier night whose bag on the drive is unfinished comes with it, though
    its sources be gone: what stands there can still be proven.
    """
    present = sorted({*found.nights, *unfinished}, reverse=True)
    if scope.everything:
        return present
    if scope.nights or scope.since is not None:
        return [night for night in present if night in scope.nights or _since(night, scope.since)]
    first = tonight(found)
    return [night for night in present if night in unfinished or (first is not None and night >= first)]


def tonight(found: Survey) -> date | None:
    """Return the night of the newest frame; without frames, the latest night; None without any file."""
    return found.newest_frame_night or max(found.nights, default=None)


def _since(night: date, since: date | None) -> bool:
    return since is not None and night >= since
