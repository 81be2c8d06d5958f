"""The sky of the lights that are filed: computed for many at once, once for each."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import NamedTuple, TypeGuard

from manifests.findings import Finding
from manifests.frames.frame import Frame, FrameType
from manifests.frames.frame_sky import FrameSky
from manifests.frames.sites import site_of
from transfer.config import Site

_KEPT_AT_MOST = 20_000


class Seen(NamedTuple):
    """A frame's sky, and what in its header does not fit it."""

    sky: FrameSky
    disagreement: Finding | None


class Skies:
    """Computes skies for the configured site, or for that of a header which names another. For any thread."""

    def __init__(self, site: Site | None) -> None:
        self._site = site or Site()
        self._seen: dict[Frame, Seen] = {}
        self._lock = threading.Lock()

    def look(self, frames: Iterable[Frame | None]) -> dict[Frame, Seen]:
        """Return the sky of each light among these frames, computed now where it is not known yet.

        What is wrong with a night's clock or site shows best when the whole night is computed at once.
        """
        with self._lock:
            lights = list(dict.fromkeys(frame for frame in frames if _is_light(frame)))
            unseen = [frame for frame in lights if frame not in self._seen]
            known = {frame: self._seen[frame] for frame in lights if frame in self._seen}
            if len(self._seen) + len(unseen) > _KEPT_AT_MOST:
                self._seen.clear()  # a folder of years has more than has to be kept in memory
            if unseen:
                self._seen.update(zip(unseen, self._computed(unseen), strict=True))
            return known | {frame: self._seen[frame] for frame in unseen}

    def _computed(self, lights: list[Frame]) -> list[Seen]:
        from manifests.frames.sky import sky_findings, sky_of_frames

        sites = [site_of(frame, self._site.latitude_deg, self._site.longitude_deg) for frame in lights]
        latitudes = [site.latitude_deg for site in sites]
        longitudes = [site.longitude_deg for site in sites]
        sky = sky_of_frames(lights, latitudes, longitudes)
        found = sky_findings(lights, sky, latitudes, longitudes)
        names = FrameSky.__slots__
        columns = [getattr(sky, name).tolist() for name in names]
        rows = (dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True))
        return [Seen(FrameSky.from_facts(row), finding) for row, finding in zip(rows, found, strict=True)]


def _is_light(frame: Frame | None) -> TypeGuard[Frame]:
    return frame is not None and frame.frame_type is FrameType.LIGHT
