"""The lights that a person asks for, and the calibration frames that the archive has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.equipment import EquipmentNames
from manifests.frames.calibration.matching import CALIBRATION
from manifests.frames.calibration.plan import Row
from manifests.frames.frame import FrameType, Stage
from manifests.frames.names.spelling import tidy
from manifests.frames.stages import known_stage
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.names import names
from manifests.index.opening import Index
from transfer.archive.typed_names import ArchiveNaming, MeantTarget, NameTables, names_like, renamed
from transfer.errors import ConfigurationError, NightferryError
from transfer.jobs.gather.archive_frames import ArchiveFrame, archive_frame, filter_of, path_of
from transfer.jobs.gather.request import GatherRequest
from transfer.words import counted

_LISTED_AT_MOST = 8


class NothingToGather(NightferryError):
    """The archive has no light of what was asked for."""


@dataclass(frozen=True, slots=True)
class Selection:
    """The lights asked for, the calibration frames to choose from, and what was asked for in vain.

    `absent_lights` are lights, and `absent_calibration` bags with calibration frames, that the index lists
    and that are not there now. `remarks` deserve a look.
    """

    meant: MeantTarget
    lights: tuple[ArchiveFrame, ...]
    calibration: tuple[ArchiveFrame, ...]
    unmet: tuple[Row, ...] = ()
    absent_lights: tuple[Finding, ...] = ()
    absent_calibration: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()


def select(index: Index, request: GatherRequest, own: NameTables) -> Selection:
    """Find what is asked for. Raises NothingToGather, ConfigurationError and IndexFault."""
    if not tidy(request.target):
        raise ConfigurationError("No target is named", next_step="nightferry targets lists those there are.")
    archived = names(index)
    naming = ArchiveNaming(archived, own)
    meant = naming.target(request.target)
    shown = naming.shown()
    named = frames(index, FrameQuery(targets=meant.names)) if meant.names else ()
    of_target = [renamed(row, shown) for row in named]
    of_type = [row for row in of_target if row.frame.frame_type is FrameType.LIGHT]
    lights = [row for row in of_type if row.in_use and known_stage(row.frame) is Stage.RAW]
    if not lights:
        raise _no_lights(meant, archived.targets, of_type)
    wanted = WantedLights(request, meant.name, lights, naming)
    chosen = wanted.lights()
    if not chosen:
        raise NothingToGather(f"The archive has {'; '.join(row.why for row in wanted.unmet())}")
    library = [renamed(row, shown) for row in frames(index, FrameQuery(frame_types=CALIBRATION))]
    return Selection(
        meant,
        tuple(archive_frame(row, FrameType.LIGHT, own.equipment) for row in chosen if not row.absent),
        tuple(_calibration(library, own.equipment)),
        tuple(wanted.unmet()),
        tuple(_absent_light(row) for row in chosen if row.absent),
        tuple(_absent_bags(library)),
        (
            *(_untyped(row) for row in of_target if row.in_use and row.frame.frame_type is None),
            *map(_not_measured, wanted.not_measured()),
        ),
    )


def _no_lights(meant: MeantTarget, archived: Sequence[str], others: Sequence[FrameRow]) -> NothingToGather:
    if others:
        unused = sum(not row.in_use for row in others)
        made = len(others) - unused
        only = [counted(made, "stack or calibrated frame")] if made else []
        only += [f"{counted(unused, 'frame')} not in use"] if unused else []
        step = "nightferry amend --use yes counts them in again." if unused else ""
        happened = f"The archive has no raw lights of {meant.name}, only {' and '.join(only)}"
        return NothingToGather(happened, next_step=step)
    near = [name for name in names_like(meant.name, archived) if name not in meant.names]
    step = f"Near names that it has: {', '.join(near)}." if near else "nightferry targets lists what it has."
    return NothingToGather(f"The archive has no lights of {meant.name}", next_step=step)


def _calibration(library: Iterable[FrameRow], equipment: EquipmentNames) -> Iterator[ArchiveFrame]:
    for row in library:
        if row.frame.frame_type is not None and row.in_use and not row.absent:
            yield archive_frame(row, row.frame.frame_type, equipment)


def _absent_light(row: FrameRow) -> Finding:
    return Finding(FindingKind.MISSING, f"its bag, {row.bag}, is not there now", path_of(row))


def _absent_bags(library: Iterable[FrameRow]) -> Iterator[Finding]:
    for bag, count in Counter(row.bag for row in library if row.absent).items():
        detail = f"not there now, with {count:,} calibration frames that may fit"
        yield Finding(FindingKind.MISSING, detail, bag)


def _untyped(row: FrameRow) -> Finding:
    return Finding(FindingKind.NO_TYPE, "it may be a light, and was not laid out", path_of(row))


def _not_measured(row: FrameRow) -> Finding:
    detail = "not measured yet, and so not laid out: nightferry index --measures"
    return Finding(FindingKind.NOT_MEASURED, detail, path_of(row))


class WantedLights:
    """The lights of one target, `target`, in the filters and of the nights that a request names."""

    def __init__(
        self, request: GatherRequest, target: str, lights: Sequence[FrameRow], naming: ArchiveNaming
    ) -> None:
        self._request = request
        self._target = target
        self._all = lights
        self._naming = naming
        self._filters = list(dict.fromkeys(map(filter_of, lights)))
        self._nights = sorted({row.night for row in lights})
        self._meant = {each: naming.filters_meant(each, self._filters) for each in request.filters}

    def lights(self) -> list[FrameRow]:
        """Return the lights that are asked for."""
        return [row for row in self._whatever_its_measures() if row.has_measures(self._request.measured)]

    def not_measured(self) -> list[FrameRow]:
        """Return the lights that are asked for by measures which they do not have yet."""
        asked = self._whatever_its_measures() if self._request.measured else []
        return [row for row in asked if row.measures is None]

    def _whatever_its_measures(self) -> list[FrameRow]:
        filters = {name for names in self._meant.values() for name in names}
        return [
            row
            for row in self._all
            if self._request.wants_night(row.night) and (not self._meant or filter_of(row) in filters)
        ]

    def unmet(self) -> list[Row]:
        """Return a row for each filter and each night asked for of which there is no light."""
        rows = [_missing(f"{self._target} {what}", there) for what, there in self._in_vain()]
        if not rows and not self.lights():
            these = f"{self._target} in these filters of these nights"
            what = f"{these} with these measures" if self._request.measured else these
            rows.append(_missing(what, f"there are {_listed(self._filters)} of {_listed(self._nights)}"))
        return rows

    def _in_vain(self) -> Iterator[tuple[str, str]]:
        """Return what was asked for in vain, and what there is instead."""
        for written, names_meant in self._meant.items():
            if not names_meant:
                yield f"in {self._naming.filter_name(written)}", f"there are {_listed(self._filters)}"
        for night in sorted(self._request.nights.difference(self._nights)):
            yield f"of {night}", f"there are some of {_listed(self._nights)}"
        since = self._request.since
        if since is not None and self._nights[-1] < since:
            yield f"since {since}", f"the last are of {self._nights[-1]}"


def _missing(what: str, instead: str) -> Row:
    return Row(
        of=FrameType.LIGHT,
        described=what,
        frames=(),
        kind=FrameType.LIGHT,
        matched=(),
        why=f"no lights of {what}; {instead}",
        missing=True,
    )


def _listed(things: Sequence[object]) -> str:
    """List filters or nights; of many, the last ones."""
    words = [str(thing) for thing in things[-_LISTED_AT_MOST:]]
    if len(things) > len(words):
        words.insert(0, f"{len(things) - len(words)} others")
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)
