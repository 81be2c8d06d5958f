"""One night on its way to one drive, and how it stands there."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from manifests.findings import Finding
from transfer.engine.bag.listed import Origin
from transfer.engine.copy.destination import Destination
from transfer.engine.sources import SourceFile
from transfer.errors import DoesNotFit
from transfer.jobs.send.outcome import NightOutcome, night_outcome
from transfer.jobs.send.plan import NightPlan

if TYPE_CHECKING:
    from manifests.bags.summary import Summary
    from transfer.engine.bag.open import OpenBag
    from transfer.engine.copy.rounds import Side
    from transfer.jobs.send.proving import NightReceiver


@dataclass(slots=True, eq=False)
class NightOnDrive:
    """One night on its way to one drive: `outcome` says, at any time, how it stands.

    Only `carrying` writes on it, and `keeping_up`, which adds what comes while the night runs.
    `destination` is the drive, which has one for the whole run; `files` are the night's sources.
    """

    plan: NightPlan
    destination: Destination
    bag: OpenBag | None = None
    receiver: NightReceiver | None = None
    side: Side | None = None
    summary: Summary | None = None
    files: dict[Origin, SourceFile] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    @property
    def full(self) -> DoesNotFit | None:
        """What did not fit on the drive: the whole night, or what came when the drive was full."""
        return self.plan.too_large if self.side is None else self.side.full or self.plan.too_large

    @property
    def gave_bad_copies(self) -> bool:
        """Whether the drive gave back another content than was written."""
        return self.receiver is not None and self.receiver.bad_count > 0

    def outcome(self) -> NightOutcome:
        """Say how the night stands on the drive now."""
        received = () if self.receiver is None else tuple(self.receiver.findings)
        return night_outcome(
            self.plan,
            self.bag,
            self.summary,
            failure=self.destination.failure,
            full=self.full,
            stopped=self.side is not None and self.side.stopped,
            findings=(*received, *self.findings),
        )
