"""The lights that a person asks for, and the calibration frames that the archive has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.matching import CALIBRATION
from manifests.frames.calibration.plan import Row
from manifests.frames.frame import FrameType
from manifests.frames.names.catalogues import CatalogueUnreadable, load_catalogue
from manifests.frames.names.filters import FilterNames
from manifests.frames.names.spelling import tidy
from manifests.frames.names.targets import TargetNames
from manifests.index.frame_query import FrameQuery, FrameRow
from manifests.index.frames import frames
from manifests.index.names import names
from manifests.index.opening import Index
from transfer.archive.typed_names import OwnTables, names_like
from transfer.errors import ConfigurationError, NightferryError
from transfer.jobs.gather.archive_frames import ArchiveFrame, archive_frame, path_of
from transfer.jobs.gather.naming import Meant, meant_targets
from transfer.jobs.gather.request import GatherRequest
from transfer.jobs.gather.wanted import Wanted


class NothingToGather(NightferryError):
    """The archive has no light of what was asked for."""


@dataclass(frozen=True, slots=True)
class Selection:
    """The lights asked for, the calibration frames to choose from, and what was asked for in vain.

    `absent_lights` are lights, and `absent_calibration` bags with calibration frames, that the index knows
    and that are not there now. `remarks` deserve a look.
    """

    meant: Meant
    lights: tuple[ArchiveFrame, ...]
    calibration: tuple[ArchiveFrame, ...]
    unmet: tuple[Row, ...] = ()
    absent_lights: tuple[Finding, ...] = ()
    absent_calibration: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()


def select(index: Index, request: GatherRequest, own: OwnTables) -> Selection:
    """Find what is asked for. Raises NothingToGather, ConfigurationError and IndexFault."""
    if not tidy(request.target):
        raise ConfigurationError("No target is named", next_step="nightferry targets lists those there are.")
    archived = names(index)
    meant = meant_targets(request.target, archived.targets, _target_names(own, archived.targets))
    of_target = list(frames(index, FrameQuery(targets=meant.names))) if meant.names else []
    lights = [row for row in of_target if row.frame.frame_type is FrameType.LIGHT]
    if not lights:
        raise _no_lights(meant, archived.targets)
    wanted = Wanted(request, meant.name, lights, FilterNames(own.filters, archived.filters))
    chosen = wanted.lights()
    if not chosen:
        raise NothingToGather(f"The archive has {'; '.join(row.why for row in wanted.unmet())}")
    library = list(frames(index, FrameQuery(frame_types=CALIBRATION)))
    return Selection(
        meant,
        tuple(archive_frame(row, FrameType.LIGHT) for row in chosen if not row.absent),
        tuple(_calibration(library)),
        tuple(wanted.unmet()),
        tuple(_absent_light(row) for row in chosen if row.absent),
        tuple(_absent_bags(library)),
        tuple(_untyped(row) for row in of_target if row.frame.frame_type is None),
    )


def _target_names(own: OwnTables, archived: Iterable[str]) -> TargetNames:
    try:
        return TargetNames(own.targets, load_catalogue(), archived)
    except CatalogueUnreadable as error:
        step = "Install the package pyongc again, or remove it."
        raise ConfigurationError(
            f"The catalogue cannot be read ({error.reason})", error.path, step
        ) from error


def _no_lights(meant: Meant, archived: Sequence[str]) -> NothingToGather:
    near = [name for name in names_like(meant.name, archived) if name not in meant.names]
    step = f"Near names that it has: {', '.join(near)}." if near else "nightferry targets lists what it has."
    return NothingToGather(f"The archive has no lights of {meant.name}", next_step=step)


def _calibration(library: Iterable[FrameRow]) -> Iterator[ArchiveFrame]:
    for row in library:
        if row.frame.frame_type is not None and not row.absent:
            yield archive_frame(row, row.frame.frame_type)


def _absent_light(row: FrameRow) -> Finding:
    return Finding(FindingKind.MISSING, f"its bag, {row.bag}, is not there now", path_of(row))


def _absent_bags(library: Iterable[FrameRow]) -> Iterator[Finding]:
    for bag, count in Counter(row.bag for row in library if row.absent).items():
        detail = f"not there now, with {count:,} calibration frames that may fit"
        yield Finding(FindingKind.MISSING, detail, bag)


def _untyped(row: FrameRow) -> Finding:
    return Finding(FindingKind.NO_TYPE, "it may be a light, and was not laid out", path_of(row))
