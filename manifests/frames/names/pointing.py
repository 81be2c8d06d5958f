"""A target's name held against where the telescope pointed: the finding where they are apart."""

from __future__ import annotations

from manifests.findings import Finding, FindingKind
from manifests.frames.names.places import ASSUMED_FIELD_DEG, position_name
from manifests.frames.names.sky_objects import SkyObject
from manifests.frames.names.targets import TargetName, TargetNames


def pointed_elsewhere(
    name: TargetName, ra_deg: float, dec_deg: float, field_deg: float | None, names: TargetNames
) -> Finding | None:
    """Return a finding where a frame does not show the object that its header names.

    That is: the object's position in the catalogue is farther from the header's (both ICRS degrees) than
    the frame's field (its shorter side, half a degree where it is not known) and the object's largest
    diameter together. None where they agree, and for a name that is no known object's, a comet's, or a
    mosaic's panel, since those may be anywhere. `names` says what lies at the position.
    """
    if name.several:
        return None
    field = ASSUMED_FIELD_DEG if field_deg is None else field_deg
    placed = [(one.away_deg(ra_deg, dec_deg), one) for one in name.objects]
    off = [(away_deg, one) for away_deg, one in placed if away_deg is not None]
    if len(off) < len(placed) or not off or any(_within(away_deg, one, field) for away_deg, one in off):
        return None
    away_deg, nearest = min(off, key=lambda pair: pair[0])
    at = names.object_at(ra_deg, dec_deg, field / 2)
    pointed = at.name if at else position_name(ra_deg, dec_deg)
    where = f"{pointed}, {away_deg:.1f}° from {nearest.name}"
    detail = f"the header says {name.canonical}; the telescope pointed at {where}"
    return Finding(FindingKind.POINTED_ELSEWHERE, detail)


def _within(away_deg: float, of: SkyObject, field_deg: float) -> bool:
    return away_deg <= field_deg + (of.size_deg or 0.0)
