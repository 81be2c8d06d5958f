"""A telescope whose nights are sent and filed one after another, each with a mast's and a sequencer's log."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.support.desks import Desk
from tests.support.nights import Computer, Ran, prepared
from transfer.jobs.send.survey import Scope

LOGS = r"""
[[source]]
name = "logs"
folder = "not here"
kind = "logs"
[[source.logs]]
files = "mast*.csv"
form = "table"
time = "utc"
zone = "UTC"
readings = { "air temperature" = { at = "air", unit = "°C" }, "humidity" = { at = "humidity", unit = "%" } }
[[source.logs]]
files = "night*.log"
form = "lines"
line = '^(?P<when>\S+) (?P<text>.*)$'
time = "when"
zone = "UTC"
events = { "connection lost" = 'lost (the )?connection' }
"""
FAILURE = '[[failure]]\nevent = "connection lost"\n'


def mast(night: str, first: float, last: float, humidity: float = 70) -> bytes:
    """Return a mast's readings from 18:00 to 06:00, every ten minutes, from one temperature to another."""
    begun = datetime.fromisoformat(f"{night}T18:00")
    rows = ["utc,air,humidity"]
    for step in range(73):
        air = first - (first - last) * step / 72
        rows.append(f"{(begun + timedelta(minutes=10 * step)).isoformat()},{air:.2f},{humidity}")
    return ("\n".join(rows) + "\n").encode()


class Observatory:
    """The telescope and the big computer."""

    def __init__(self, folder: Path, more: str = FAILURE) -> None:
        self.computer = Computer(folder / "telescope")
        self.stick = prepared(folder / "stick")
        self.desk = Desk(folder / "desk", LOGS + more)

    def night(self, night: str, last: float, events: str = "", frames: int = 3, first: float = 8.0) -> None:
        """Have a night, `last` its temperature at 06:00, `events` its sequencer's log, and bring it home."""
        begun = datetime.fromisoformat(f"{night}T20:30:00")
        for number in range(frames):
            taken = begun + timedelta(minutes=11 * number)
            self.computer.frame(f"{night}/{number:03}.fits", begun=taken.isoformat(), data=night.encode())
        midnight = datetime.fromisoformat(f"{night}T23:00:00").replace(tzinfo=UTC).timestamp()
        for name, content in (
            (f"mast {night}.csv", mast(night, first, last)),
            (f"night {night}.log", events.encode()),
        ):
            os.utime(self.computer.log(name, content), (midnight, midnight))
        self.computer.send(self.stick, scope=Scope(everything=True))
        assert self.desk.file(self.stick).refused == 0

    def mark(self, night: str, verdict: str, because: str = "") -> None:
        """Keep a verdict on a night."""
        assert self.ask("mark", night, verdict, "--because", because).exit == 0

    def ask(self, *words: str, **environ: str) -> Ran:
        """Run a command at the big computer."""
        return self.desk.command(*words, environ=environ)
