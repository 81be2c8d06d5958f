"""The part of `send` that writes: night after night to the drives, and the receipts around it."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from transfer.engine.durable import write_durably
from transfer.errors import NightferryError
from transfer.jobs.drive_night import DriveNight, drive_failure
from transfer.jobs.night_run import NightRun
from transfer.receipt import RECEIPT_NAME, receipt, unfinished_receipt

if TYPE_CHECKING:
    from transfer.jobs.outcome import SendOutcome
    from transfer.jobs.send import Surroundings
    from transfer.jobs.survey import Survey


class Carrying:
    """Nights on their way to their drives, the newest first. What becomes of each is left in it."""

    def __init__(self, survey: Survey, nights: list[DriveNight], around: Surroundings) -> None:
        self._nights = nights
        self._run = NightRun(survey, around.medium, around.records, around.listen, around.stop)

    def run(self, began: datetime) -> None:
        """Carry every night; each drive says first that it is not finished, lest a dead run leave a lie."""
        for night in _one_a_drive(self._nights):
            _write_receipt(night, unfinished_receipt(began))
        for _, group in itertools.groupby(self._nights, key=lambda night: night.plan.night):
            self._pass_failures_on()
            self._run.carry([night for night in group if night.failure is None])
        self._pass_failures_on()
        self._read_suspects_again()

    def _pass_failures_on(self) -> None:
        """Leave a drive that has failed out of the nights that follow."""
        failed = {id(night.drive): night.failure for night in self._nights if night.failure is not None}
        for night in self._nights:
            night.failure = night.failure or failed.get(id(night.drive))

    def _read_suspects_again(self) -> None:
        """Where a drive gave a bad file in one night, read what it was given in the others once more."""
        suspect = {id(night.drive) for night in self._nights if night.again}
        done = [night for night in self._nights if night.summary is not None and not night.again]
        self._run.read_again([night for night in done if id(night.drive) in suspect])

    def leave_receipts(self, outcome: SendOutcome) -> None:
        """Leave the receipt on each drive: the last thing that is written to it, and read back."""
        for night in _one_a_drive(self._nights):
            if night.failure is None:
                _write_receipt(night, receipt(outcome))


def _one_a_drive(nights: Iterable[DriveNight]) -> list[DriveNight]:
    return list({id(night.drive): night for night in nights}.values())


def _write_receipt(night: DriveNight, text: str) -> None:
    try:
        write_durably(night.drive.folder, RECEIPT_NAME, text.encode("utf-8"))
    except OSError as error:
        night.failure = drive_failure(error, night.drive)
    except NightferryError as error:
        night.failure = error
