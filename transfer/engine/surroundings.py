"""What a job works with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from transfer.engine.medium import Medium
from transfer.engine.records import Records
from transfer.events import Listener, nobody
from transfer.stop import Stop


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The operating system, this computer's records, when to end, who listens, and the time."""

    medium: Medium
    records: Records
    stop: Stop
    listen: Listener = nobody
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)
