"""The night and the header of a file that has no entry in a bag."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from manifests.findings import Finding
from manifests.frames.endings import looks_like_a_frame
from manifests.frames.frame import Frame
from manifests.frames.inspection import Inspection, look_at_header
from manifests.frames.keywords import KEYWORDS, KeywordTable
from manifests.frames.nights import frame_night, night_of
from manifests.frames.sites import site_of
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.medium import Medium
from transfer.engine.surroundings import Surroundings


class HeaderUnread(Exception):
    """A frame's header cannot be read now: another program may have the file."""


@dataclass(slots=True)
class Dating:
    """Looks at files' headers, without disturbing other programs, and dates the files.

    The night follows from the site's longitude (degrees, east positive), unless a header names a site far
    from it. Without a configured longitude, a header's own is taken; `guess` is the finding for a frame
    where there is neither, and `guessed` whether there was one.
    """

    medium: Medium
    longitude_deg: float
    guess: Finding | None = None
    table: KeywordTable = KEYWORDS
    latitude_deg: float | None = None
    guessed: bool = field(default=False, init=False)

    @classmethod
    def configured(cls, config: Config, around: Surroundings) -> Dating:
        """Return the dating by a configuration's site and keywords."""
        longitude_deg, guess = longitude_of(config, around.clock())
        table = KEYWORDS.extended(config.keywords) if config.keywords else KEYWORDS
        latitude_deg = None if config.site is None else config.site.latitude_deg
        return cls(around.medium, longitude_deg, guess, table, latitude_deg)

    @property
    def has_own_keywords(self) -> bool:
        """Whether this person's own keywords may read more from headers than the writer of the bag did."""
        return self.table is not KEYWORDS

    def look(self, path: Path) -> Inspection:
        """Look at a file's header. Raises HeaderUnread where a frame's cannot be read: it has no night then.

        Any other file that cannot be opened is reported when it is carried.
        """
        try:
            return look_at_header(path, self.table, self.medium.open_source)
        except OSError as error:
            if looks_like_a_frame(path.name):
                why = error.strerror or str(error)
                raise HeaderUnread(f"its header cannot be read, nor its night: {why}") from error
            return Inspection(is_fits=False)

    def night(self, inspection: Inspection, modified_ns: int) -> tuple[date, tuple[Finding, ...]]:
        """Return the night of a file, and findings about what is uncertain."""
        return frame_night(inspection, modified_ns, self._longitude(inspection.frame), self.latitude_deg)

    def night_again(self, frame: Frame | None, listed: date) -> tuple[date, tuple[Finding, ...]]:
        """Return the night of a frame whose bag lists one: the same, unless its header's site is elsewhere.

        Whoever wrote the bag may have had another site configured than that of the frame.
        """
        if self.guess is not None or frame is None or frame.begun_utc is None:
            return listed, ()
        site = site_of(frame, self.latitude_deg, self.longitude_deg)
        if site.finding is None or site.longitude_deg is None:
            return listed, ()
        return night_of(frame.begun_utc, site.longitude_deg), (site.finding,)

    def _longitude(self, frame: Frame | None) -> float:
        if self.guess is None:
            return self.longitude_deg
        if frame is not None and frame.site_longitude_deg is not None:
            return frame.site_longitude_deg
        self.guessed = True
        return self.longitude_deg
