"""An imaging computer whose night was carried home, filed, and acknowledged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.support.desks import Desk
from tests.support.nights import Computer, prepared
from transfer.engine.medium import Medium, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.jobs.clear.drives import ready_to_clear_drives
from transfer.jobs.clear.outcome import ClearDriveOutcome, ClearOutcome
from transfer.jobs.clear.run import ready_to_clear
from transfer.stop import Stop

LATER = datetime(2026, 4, 1, 12, tzinfo=UTC)


@dataclass
class Home:
    """The imaging computer, its drive, and the big computer."""

    computer: Computer
    stick: Path
    desk: Desk

    def carry(self) -> None:
        """Send the night, file it, and bring the drive back."""
        assert self.computer.send(self.stick).exit_code == 0
        assert self.desk.file(self.stick).exit_code == 0

    def take_away(self) -> None:
        """Take the drive away again."""
        self.stick.rename(self.stick.with_name("elsewhere"))

    def clear(
        self,
        *,
        delete: bool = True,
        now: datetime = LATER,
        medium: Medium | None = None,
        stop: Stop | None = None,
        believe: bool = False,
    ) -> ClearOutcome:
        """Run the job here, in this process."""
        records = Records(self.computer.records)
        around = Surroundings(medium or this_computer(), records, stop or Stop(), clock=lambda: now)
        config = self.computer.config()
        with ready_to_clear(config, around, hold=delete, believe_unsigned=believe) as run:
            return run.delete(records.folder) if delete else run.outcome

    def clear_drive(
        self,
        path: Path | None = None,
        *,
        delete: bool = True,
        now: datetime = LATER,
        medium: Medium | None = None,
        stop: Stop | None = None,
    ) -> ClearDriveOutcome:
        """Run the job for drives here, in this process."""
        records = Records(self.computer.records)
        around = Surroundings(medium or this_computer(), records, stop or Stop(), clock=lambda: now)
        with ready_to_clear_drives(self.computer.config(), around, path, hold=delete) as run:
            return run.delete(records.folder) if delete else run.outcome

    def on_drive(self) -> list[str]:
        """Return the folders that lie on the drive."""
        return sorted(path.name for path in self.stick.iterdir() if path.is_dir())

    def settings(self, more: str) -> None:
        """Add to the computer's configuration."""
        self.computer.more = more
        self.computer.configure()

    def files(self) -> list[str]:
        """Return what is left in the sources."""
        below = self.computer.root / "computer"
        return sorted(path.relative_to(below).as_posix() for path in below.rglob("*") if path.is_file())

    def why(self, outcome: ClearOutcome) -> dict[str, str]:
        """Return why each file stays, whenever that was found."""
        stays = [each for night in outcome.nights for each in night.stays]
        return {each.path: each.why for each in (*stays, *outcome.kept)}


@pytest.fixture
def home(computer: Computer, stick: Path, desk: Desk) -> Home:
    computer.drives = [f"name = 'Field stick'\nfolder = '{stick}'"]
    computer.configure()
    computer.small_night()
    return Home(computer, stick, desk)


@pytest.fixture
def carried(home: Home) -> Home:
    home.carry()
    return home


__all__ = ["LATER", "Home", "prepared"]
