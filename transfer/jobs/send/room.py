"""Room on a drive where a night does not fit: nights that may go from it, as `clear --drive` lets them go."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from transfer.config import Config
from transfer.engine.drive import OpenDrive
from transfer.engine.sources import pinned_sources
from transfer.engine.surroundings import Surroundings
from transfer.errors import DoesNotFit, NightferryError
from transfer.jobs.send.plan import NightPlan
from transfer.words import counted, size_told

if TYPE_CHECKING:
    from transfer.archive.freeing import DriveNight


@dataclass(frozen=True, slots=True)
class RoomMade:
    """The nights that a run let go to make room, and why no more, where something kept it from that."""

    nights: tuple[DriveNight, ...] = ()
    trouble: str = ""

    @property
    def lines(self) -> tuple[str, ...]:
        """Say it to a person."""
        trouble = (f"No more room was made: {self.trouble}",) if self.trouble else ()
        return (*map(_told, self.nights), *trouble)

    def as_json(self) -> list[dict[str, Any]]:
        """Return the nights as `--json` prints them."""
        return [
            {
                "night": night.night.isoformat(),
                "drive": night.drive.name,
                "files": night.file_count,
                "bytes": night.size_bytes,
            }
            for night in self.nights
        ]


def _told(night: DriveNight) -> str:
    what = f"{counted(night.file_count, 'file')}, {size_told(night.size_bytes)}"
    places = dict.fromkeys(place.told for file in night.files for place in file.places)
    has = f", which {' and '.join(places)} have" if places else ""
    return f"To make room, the night of {night.night} ({what}) was let go from {night.drive.name!r}{has}."


def room_on(
    config: Config,
    around: Surroundings,
    drives: Sequence[OpenDrive],
    spare: Collection[date],
    held: ExitStack,
) -> tuple[DriveNight, ...]:
    """Return the nights that may go from drives, the oldest first; none of the nights to `spare`.

    `held` closes what is read of them. Never raises: where it cannot be known, nothing may go.
    """
    # Loaded where a night does not fit, which is seldom.
    from transfer.archive.evidence import archives_here, evidence_of
    from transfer.archive.freeing import Freeable

    try:
        archives = archives_here(config, around, held)
        freeable = Freeable(
            evidence=evidence_of(drives, archives, around),
            options=config.clear,
            now=around.clock(),
            archives=frozenset(archive.mark.id for archive in archives),
            folders=pinned_sources(config.sources, around.medium, held),
        )
        nights = freeable.nights(drives)
    except (NightferryError, OSError):
        return ()
    return tuple(night for night in nights if night.may_go and night.night not in spare)


def enough_for(plan: NightPlan, nights: Sequence[DriveNight]) -> list[DriveNight]:
    """Return the oldest of these nights that make a night fit on its drive; none where all of them do not."""
    going: list[DriveNight] = []
    frees = 0
    for night in nights:
        if night.drive is plan.drive and frees < plan.lacks_bytes:
            going.append(night)
            frees += night.size_bytes
    return going if 0 < plan.lacks_bytes <= frees else []


def with_way_out(plan: NightPlan, nights: Sequence[DriveNight]) -> NightPlan:
    """Return a plan that names the command which makes its night fit, where there is one."""
    if plan.too_large is None or not enough_for(plan, nights):
        return plan
    own = [night for night in nights if night.drive is plan.drive]
    frees = size_told(sum(night.size_bytes for night in own))
    step = (
        f"{counted(len(own), 'night')} ({frees}) may go from it, and it would fit: "
        f'nightferry clear --drive "{plan.drive.root}" --delete. Or send to another drive.'
    )
    return replace(plan, too_large=DoesNotFit(plan.too_large.happened, plan.drive.root, step))


def make_room(nights: Sequence[DriveNight], around: Surroundings) -> RoomMade:
    """Let nights go from drives that this run holds. Never raises: what does not go is reported."""
    from transfer.archive.freeing import Freeing
    from transfer.engine.ledger import open_ledger

    gone: list[DriveNight] = []
    try:
        with open_ledger(around.records.folder, around.medium) as ledger:
            freeing = Freeing(ledger, around)
            gone = freeing.gone
            freeing.free(nights)
    except NightferryError as error:
        return RoomMade(tuple(gone), str(error))
    return RoomMade(tuple(gone), "; ".join(f"{each.path}: {each.why}" for each in freeing.stays))
