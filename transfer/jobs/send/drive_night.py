"""One night on one drive, from its plan to how it went; and what an error of the system means for a drive."""

from __future__ import annotations

import errno
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from manifests.findings import Finding
from transfer.engine.copy.task import Task
from transfer.engine.drive import OpenDrive
from transfer.engine.medium import drive_has_left, drive_is_full
from transfer.errors import DoesNotFit, DriveFailed, NightferryError
from transfer.jobs.send.night_plan import NightPlan

if TYPE_CHECKING:
    from manifests.bags.summary import Summary
    from transfer.engine.bag.open import OpenBag


@dataclass(slots=True, eq=False)
class DriveNight:
    """One night on one drive while it is carried: its plan, what is left to do and why, and how it went."""

    drive: OpenDrive
    plan: NightPlan
    bag: OpenBag | None = None
    todo: list[Task] = field(default_factory=list)
    reasons: dict[str, str] = field(default_factory=dict)
    copied_bytes: int = 0
    again: int = 0
    stopped: bool = False
    full: DoesNotFit | None = None
    failure: NightferryError | None = None
    hangs: bool = False
    summary: Summary | None = None
    findings: list[Finding] = field(default_factory=list)

    @property
    def open_bag(self) -> OpenBag:
        """The bag that grows; there is one once the night was begun."""
        assert self.bag is not None, "the night was not begun"
        return self.bag

    @property
    def label(self) -> str:
        """What a progress line calls this."""
        return f"{self.plan.night.isoformat()} on {self.drive.name}"


_PLUG_IN = "Plug it in again and send again: what was proven is kept, the rest is carried."


def drive_left(drive: OpenDrive) -> DriveFailed:
    """Say that a drive is not where it was: it was unmounted, and what stands there now is something else."""
    return DriveFailed("The drive left: it is not mounted there any more", drive.root, _PLUG_IN)


def drive_failure(error: OSError, drive: OpenDrive) -> NightferryError:
    """Say what an error of the system means for a person at the drive."""
    if drive_is_full(error):
        return DoesNotFit("The drive is full", drive.root, "Make room on it, or send to another drive.")
    if error.errno == errno.EROFS:
        step = "Is there a switch on it? Some systems also do this to a drive that was not unmounted cleanly."
        return DriveFailed("The drive is write-protected", drive.root, step)
    happened = "The drive left" if drive_has_left(error) else "The drive failed"
    return DriveFailed(f"{happened} ({error.strerror or error})", drive.root, _PLUG_IN)
