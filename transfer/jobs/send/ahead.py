"""How much a run of `send` has before it, for who watches: reported at its beginning, and when it changes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from transfer.engine.drive import OpenDrive
from transfer.engine.records import Records
from transfer.events import Ahead, Listener
from transfer.jobs.send.pace import pace_of
from transfer.jobs.send.plan import NightPlan
from transfer.jobs.send.ready import LateNight


class WorkAhead:
    """What is to be written to the drives of a run and read back there, night by night."""

    def __init__(self, drives: Sequence[OpenDrive], records: Records, listen: Listener) -> None:
        self._drives = drives
        self._listen = listen
        self._paces = [pace_of(drive, records) for drive in drives]
        self._taken_before = self._taken()
        self._nights: dict[tuple[OpenDrive, date], tuple[int, int]] = {}

    def expect(self, plans: Iterable[NightPlan], late: Iterable[LateNight]) -> None:
        """Report the nights that were asked for, and those to catch up with as far as there is room."""
        for plan in plans:
            self._plan(plan)
        for drive in self._drives:
            free = drive.folder.free_bytes() - sum(
                write for (of, _), (write, _) in self._nights.items() if of is drive
            )
            for night in late:
                size = sum(file.size_bytes for file in night.unsafe)
                if drive in night.files and size <= free:
                    self._nights[drive, night.night] = size, size
                    free -= size
        self._report()

    def decide(self, night: date, plans: Iterable[NightPlan]) -> None:
        """Report what a night to catch up with comes to, now that it is planned; no plan: it stays behind."""
        for drive in self._drives:
            self._nights.pop((drive, night), None)
        for plan in plans:
            self._plan(plan)
        self._report()

    def _plan(self, plan: NightPlan) -> None:
        if not plan.nothing_to_do:
            write = plan.task_bytes
            self._nights[plan.drive, plan.night] = write, write + plan.to_read_bytes

    def _report(self) -> None:
        works = self._nights.values()
        count = len(self._drives)
        # Drives work beside each other, the slowest in front: a source is read once for all.
        self._listen(
            Ahead(
                sum(write for write, _ in works),
                sum(read for _, read in works),
                min(pace.write_bytes_per_s for pace in self._paces) * count,
                min(pace.read_bytes_per_s for pace in self._paces) * count,
                self._written,
            )
        )

    def _written(self) -> int | None:
        now = self._taken()
        return None if now is None or self._taken_before is None else now - self._taken_before

    def _taken(self) -> int | None:
        counts = [drive.folder.bytes_taken() for drive in self._drives]
        known = [count for count in counts if count is not None]
        return sum(known) if len(known) == len(counts) else None
