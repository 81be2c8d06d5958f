"""Lights that no telescope can have taken at their time and site: a target below the horizon, the sun up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from manifests.findings import Finding, FindingKind
from manifests.frames.frame import Frame
from manifests.frames.sky.disagreements import disagreements
from manifests.frames.sky.explanations import track_of
from manifests.frames.sky.facts import Sky, exposures_s
from manifests.frames.sky.twilight import Twilight, twilight_at

if TYPE_CHECKING:
    from manifests.frames.sky.columns import Numbers

# Refraction lifts by 0.6° at the horizon; the rest is for a coarse site and a clock some minutes off.
BELOW_DEG = -2.0

_DOUBT = "the date, the clock, the site or the coordinates may be wrong"


def sky_findings(
    lights: Sequence[Frame], sky: Sky, latitude_deg: Numbers, longitude_deg: Numbers
) -> list[Finding | None]:
    """Return, for each light, a finding where its header does not fit the sky of its time and site.

    `sky` is what `sky_of_frames` returned for these frames and this site (degrees, north and east
    positive). A header's own altitude or airmass counts first: it shows what is wrong (`disagreements`).
    Then a target below the horizon in all of the exposure, then the sun above it at mid-exposure. A time
    of exactly 0h UTC is not judged: it stands for a time that is not known. Pass whole nights.
    """
    found = disagreements(lights, sky, latitude_deg, longitude_deg)
    altitudes = track_of(sky, latitude_deg, longitude_deg, exposures_s(lights)).altitudes_deg().max(axis=0)
    twilights = twilight_at(sky.sun_altitude_deg)
    for row, frame in enumerate(lights):
        if found[row] is not None or frame.begun_utc is None or _is_midnight(frame.begun_utc):
            continue
        if altitudes[row] < BELOW_DEG:
            detail = f"its target stood at {altitudes[row]:.1f}°: {_DOUBT}"
            found[row] = Finding(FindingKind.BELOW_HORIZON, detail)
        elif twilights[row] is Twilight.DAY:
            detail = f"the sun stood at {float(sky.sun_altitude_deg[row]):.1f}°: {_DOUBT}"
            found[row] = Finding(FindingKind.LIGHT_BY_DAY, detail)
    return found


def _is_midnight(begun: datetime) -> bool:
    return begun == begun.replace(hour=0, minute=0, second=0, microsecond=0)
