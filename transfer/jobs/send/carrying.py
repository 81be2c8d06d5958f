"""The part of `send` that writes: night after night to the drives, and the receipts around it."""

from __future__ import annotations

import itertools
from datetime import datetime
from typing import TYPE_CHECKING

from transfer.engine.bag.durable import write_durably
from transfer.engine.drive import RECEIPT_NAME
from transfer.jobs.send.beside import beside
from transfer.jobs.send.drive_night import DriveNight
from transfer.jobs.send.night import NightRun
from transfer.jobs.send.receipt import receipt, unfinished_receipt

if TYPE_CHECKING:
    from transfer.jobs.send.outcome import SendOutcome
    from transfer.jobs.send.survey import Survey
    from transfer.surroundings import Surroundings


class Carrying:
    """Nights on their way to their drives, the newest first. What becomes of each is left in it."""

    def __init__(self, survey: Survey, nights: list[DriveNight], around: Surroundings) -> None:
        self._nights = nights
        self._around = around
        self._run = NightRun(survey, around.medium, around.records, around.listen, around.stop)

    def run(self, began: datetime) -> None:
        """Carry every night; each drive says first that it is not finished, lest a dead run leave a lie."""
        self._write_receipts(unfinished_receipt(began))
        for _, group in itertools.groupby(self._nights, key=lambda night: night.plan.night):
            self._pass_failures_on()
            self._run.carry([night for night in group if night.failure is None])
        self._pass_failures_on()
        self._read_suspects_again()
        for night in self._nights:
            if night.bag is not None and not night.hangs:
                night.bag.close()

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
        self._write_receipts(receipt(outcome))

    def _write_receipts(self, text: str) -> None:
        content = text.encode("utf-8")
        one_a_drive = {id(night.drive): night for night in self._nights}.values()
        beside(
            one_a_drive,
            lambda night: write_durably(night.drive.folder, RECEIPT_NAME, content),
            self._around.stop,
        )
