"""The names of frames in the archive: one name for each target, filter and camera."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import isfinite

from manifests.findings import Finding, FindingKind
from manifests.frames.calibration.equipment import NO_OWN_NAMES, EquipmentNames
from manifests.frames.frame import Frame, FrameType
from manifests.frames.names.catalogues import Catalogue, CatalogueUnreadable, load_catalogue
from manifests.frames.names.filters import FilterNames
from manifests.frames.names.places import (
    ASSUMED_FIELD_DEG,
    KnownTarget,
    SameField,
    field_of_view_deg,
    place,
    same_field,
)
from manifests.frames.names.pointing import pointed_elsewhere
from manifests.frames.names.spelling import Spellings
from manifests.frames.names.targets import TargetName, TargetNames
from transfer.config import Config

NO_CAMERA = "camera not given"


@dataclass(frozen=True, slots=True)
class InUse:
    """The names that an archive has already; `targets` are those whose place on the sky is known."""

    names: Sequence[str] = ()
    filters: Sequence[str] = ()
    cameras: Sequence[str] = ()
    targets: Sequence[KnownTarget] = ()


@dataclass(frozen=True, slots=True)
class NameSources:
    """A person's own names (written → name), and the catalogue where one is installed."""

    targets: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[str, str] = field(default_factory=dict)
    equipment: EquipmentNames = NO_OWN_NAMES
    catalogue: Catalogue | None = None


def name_sources(config: Config) -> tuple[NameSources, tuple[Finding, ...]]:
    """Return a configuration's names and the catalogue; one that cannot be read is a finding."""
    equipment = EquipmentNames(config.telescopes, config.cameras)
    catalogue, findings = None, tuple[Finding, ...]()
    try:
        catalogue = load_catalogue()
    except CatalogueUnreadable as fault:
        findings = (Finding(FindingKind.UNREADABLE, fault.reason, str(fault.path)),)
    return NameSources(config.targets, config.filters, equipment, catalogue), findings


@dataclass(frozen=True, slots=True)
class Names:
    """The names of one frame; None where nothing of the kind belongs to its type.

    `findings` say what was not written in the header and was found out some other way.
    """

    target: str | None
    filter: str | None
    camera: str
    findings: tuple[Finding, ...] = ()


class Namer:
    """Names frames in the order in which they come: the first spelling of a name stays."""

    def __init__(self, own: NameSources, in_use: InUse) -> None:
        self._targets = TargetNames(own.targets, own.catalogue, in_use.names)
        self._filters = FilterNames(own.filters, in_use.filters)
        self._equipment = own.equipment
        self._cameras = Spellings(in_use.cameras)
        named = [target for target in in_use.targets if self._targets.name(target.name).canonical]
        self._known = {target.name: target for target in named}
        self._told: set[tuple[str, date | None]] = set()
        self._met: set[str] = set()
        self.readings: dict[str, TargetName] = {}

    def names(self, frame: Frame, night: date | None = None) -> Names:
        """Return a frame's names; what is wrong with a target's position is reported once a night."""
        camera = self._cameras.first(self._equipment.camera(frame.camera) or NO_CAMERA)
        if frame.frame_type is FrameType.LIGHT:
            target, findings = self._target(frame)
            once = tuple(finding for finding in findings if self._is_news(finding, target, night))
            return Names(target, self._filter(frame), camera, once)
        if frame.frame_type is FrameType.FLAT:
            return Names(None, self._filter(frame), camera)
        return Names(None, None, camera)

    def _filter(self, frame: Frame) -> str:
        return self._filters.name(frame.filter_name, colour=frame.bayer_pattern is not None).canonical

    def _target(self, frame: Frame) -> tuple[str, tuple[Finding, ...]]:
        position, field_deg = icrs_position(frame), field_of_view_deg(frame)
        reading = self._reading(frame, position)
        name = reading.canonical
        findings: tuple[Finding, ...] = ()
        if name is None:
            ra_deg, dec_deg = position or (None, None)
            why = reading.how if frame.object_name else ""
            placed = place(ra_deg, dec_deg, field_deg, list(self._known.values()), why)
            name, findings = placed.name, (Finding(FindingKind.NO_TARGET, placed.how),)
        elif name != frame.object_name:
            self.readings[frame.object_name or ""] = reading
        self._met.add(name)
        if position is None:
            return name, findings
        if elsewhere := pointed_elsewhere(reading, *position, field_deg, self._targets):
            return name, (*findings, elsewhere)  # and where the target is, this frame does not say
        self._known.setdefault(name, KnownTarget(name, *position, field_deg))
        return name, findings

    def _reading(self, frame: Frame, position: tuple[float, float] | None) -> TargetName:
        if position is None:
            return self._targets.name(frame.object_name)
        field_deg = field_of_view_deg(frame) or ASSUMED_FIELD_DEG
        return self._targets.name_at(frame.object_name, *position, field_deg)

    def _is_news(self, finding: Finding, target: str, night: date | None) -> bool:
        if finding.kind is not FindingKind.POINTED_ELSEWHERE:
            return True
        is_new = (target, night) not in self._told
        self._told.add((target, night))
        return is_new

    def meet(self, frames: Iterable[Frame]) -> None:
        """Learn where the named targets of these frames are, before those without a name are placed."""
        for frame in frames:
            if frame.frame_type is FrameType.LIGHT and self._targets.name(frame.object_name).canonical:
                self._target(frame)

    def sharing_a_field(self) -> list[SameField]:
        """Return the pairs of targets in one field of which this run met at least one."""
        pairs = same_field(list(self._known.values()))
        return [pair for pair in pairs if {pair.first.name, pair.second.name} & self._met]


def icrs_position(frame: Frame) -> tuple[float, float] | None:
    """Return a frame's right ascension and declination (ICRS, degrees); None where its header has none."""
    ra_deg, dec_deg, equinox = frame.ra_deg, frame.dec_deg, frame.equinox
    if ra_deg is None or dec_deg is None or not isfinite(ra_deg) or not -90 <= dec_deg <= 90:
        return None
    if equinox is None or equinox == 2000.0:
        return ra_deg, dec_deg
    if not 1800 <= equinox <= 2200:
        return None
    import numpy as np

    from manifests.frames.sky.equinoxes import icrs_of

    ra, dec = icrs_of(*(np.array([value]) for value in (ra_deg, dec_deg, equinox)))
    return float(ra[0]), float(dec[0])
