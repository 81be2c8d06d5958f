"""The job: how the running night stands, from what its follower keeps in the records, and its drives."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from manifests.frames.nights import night_of
from transfer.config import Config
from transfer.config.longitude import longitude_of
from transfer.engine.following import MeetingPlace
from transfer.engine.medium import Medium
from transfer.engine.standing import Standing, dark_hours, missing_since, moment_of, standing_from
from transfer.errors import ExitCode
from transfer.words import counted


@dataclass(frozen=True, slots=True)
class Now:
    """How a night stands: `troubles` deserve a look, a line each.

    `standing` is None where no follower has kept anything. `room_nights` says for how many nights, each as
    large as this one so far, the drives have room; None where that cannot be told.
    """

    is_followed: bool
    standing: Standing | None
    free_bytes: int | None
    room_nights: float | None
    no_frame_for: timedelta | None
    troubles: tuple[str, ...]

    @property
    def exit_code(self) -> ExitCode:
        """0 where all is well; a drive that is not there has its own."""
        if self.standing is not None and self.is_followed and self.standing.gone:
            return ExitCode.NOT_THERE
        return ExitCode.SOMETHING_UNPROVEN if self.troubles else ExitCode.PROVEN

    def as_json(self) -> dict[str, Any]:
        """Return it as `--json` prints it."""
        standing = self.standing
        return {
            "command": "now",
            "exit": int(self.exit_code),
            "message": " ".join(self.troubles) or "All is well.",
            "findings": [],
            "followed": self.is_followed,
            "night": standing.night if standing else "",
            "drives": list(standing.drives) if standing else [],
            "drives_gone": list(standing.gone) if standing else [],
            "whole": standing.whole if standing else 0,
            "proven": standing.proven if standing else 0,
            "proven_frames": standing.proven_frames if standing else 0,
            "proven_bytes": standing.proven_bytes if standing else 0,
            "read_back": standing.read_back if standing else "",
            "did_not_fit": standing.did_not_fit if standing else 0,
            "last_frame_utc": standing.last_frame_utc if standing else "",
            "usual_gap_s": standing.usual_gap_s if standing else 0.0,
            "no_frame_for_s": None if self.no_frame_for is None else round(self.no_frame_for.total_seconds()),
            "free_bytes": self.free_bytes,
            "room_nights": self.room_nights,
            "until_utc": standing.until_utc if standing else "",
            "ended_utc": standing.ended_utc if standing else "",
            "why_ended": standing.why_ended if standing else "",
            "troubles": list(self.troubles),
        }


def look_at_now(config: Config, place: MeetingPlace, medium: Medium, now: datetime) -> Now:
    """Look at how the night stands. Nothing is written, and no drive is waited for."""
    is_followed = place.is_followed()
    standing = standing_from(place.state())
    if standing is None:
        why = "The follower is of another version: end it, or ask it with its own nightferry now."
        nobody = "Nothing has followed a night on this computer. Start it with: nightferry send --follow"
        return Now(is_followed, None, None, None, None, (why if is_followed else nobody,))
    quiet = _no_frame_for(config, standing, now) if is_followed and not standing.ended_utc else None
    free_bytes = _free_bytes(standing, medium)
    room = None
    if free_bytes is not None and standing.proven_bytes:
        room = round(free_bytes / standing.proven_bytes, 1)
    troubles = tuple(_troubles(is_followed, standing, quiet))
    return Now(is_followed, standing, free_bytes, room, quiet, troubles)


def _no_frame_for(config: Config, standing: Standing, now: datetime) -> timedelta | None:
    night = night_of(now, longitude_of(config, now)[0])
    return missing_since(standing, dark_hours(night, config.site), now)


def _free_bytes(standing: Standing, medium: Medium) -> int | None:
    """Return the least room on the drives; None where one is not there."""
    if standing.gone:
        return None
    free = []
    for root in map(Path, standing.places):
        try:
            folder = medium.pin(root)
        except OSError:
            return None
        try:
            free.append(folder.free_bytes())
        except OSError:
            return None
        finally:
            folder.close()
    return min(free, default=None)


def _troubles(is_followed: bool, standing: Standing, quiet: timedelta | None) -> list[str]:
    lines = []
    if not is_followed and not standing.is_closed:
        ended = moment_of(standing.ended_utc)
        how = f"It ended: {standing.why_ended}." if ended else "It did not end by itself: was it killed?"
        lines.append(f"Nothing follows the night. {how} Start it with: nightferry send --follow")
    if standing.gone and is_followed:
        names = " and ".join(map(repr, standing.gone))
        lines.append(f"Not there: {names}. What comes meanwhile is carried later.")
    if standing.did_not_fit and not standing.is_closed:
        lines.append(f"The drive is full: {counted(standing.did_not_fit, 'file')} did not fit.")
    if quiet is not None:
        minutes = counted(int(quiet.total_seconds() / 60), "minute")
        lines.append(f"No frame has come for {minutes} although it is dark.")
    return lines
