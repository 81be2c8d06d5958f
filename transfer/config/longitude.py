"""The longitude that nights are reckoned with: the site's, or what this computer's clock implies."""

from __future__ import annotations

from datetime import datetime

from manifests.findings import Finding, FindingKind
from transfer.config.settings import Config

_DEGREES_PER_HOUR = 15


def longitude_of(config: Config, now: datetime) -> tuple[float, Finding | None]:
    """Return the site's longitude, in degrees east; without one, what this computer's time zone implies."""
    if config.site is not None and config.site.longitude_deg is not None:
        return config.site.longitude_deg, None
    offset = now.astimezone().utcoffset()
    hours = offset.total_seconds() / 3600 if offset is not None else 0.0
    longitude_deg = hours * _DEGREES_PER_HOUR
    detail = f"taken from this computer's time zone: {longitude_deg:+g}; nights change at its noon"
    return longitude_deg, Finding(FindingKind.NO_LONGITUDE, detail, str(config.file))
