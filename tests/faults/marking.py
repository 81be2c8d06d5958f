"""Faults while a verdict is kept in the archive: nothing that was said is lost, nor a file of the archive."""

from __future__ import annotations

from tests.faults.jobs import Job
from tests.faults.mark_jobs import MarkAgain, MarkFirst
from tests.faults.replay import try_replayed
from tests.faults.system_calls import FAILURES, KILLED_AT, draw, fail_at, kill_at
from tests.faults.trials import Fault, Trial
from tests.support.volumes import KINDS

MARKS: tuple[type[Job], ...] = (MarkFirst, MarkAgain)


def try_kill(trial: Trial) -> None:
    """Kill a run as it enters a system call."""
    kill_at(trial, *draw(trial, KILLED_AT, MARKS))


def try_failure(trial: Trial) -> None:
    """Make a system call of a run fail, once or from then on."""
    fail_at(trial, *draw(trial, tuple(FAILURES), MARKS))


def try_cut(trial: Trial) -> None:
    """Cut the power of the archive's disk."""
    try_replayed(trial, MARKS)


FAULTS = (
    Fault("mark-killed", "`mark` killed at a system call", KINDS, 200, try_kill, 2),
    Fault("mark-call-fails", "a system call of `mark` fails", KINDS, 200, try_failure, 1),
    Fault(
        "mark-replayed",
        "power cut in `mark`, each sector that was not flushed kept or not",
        ("ext4", "exfat", "ntfs"),
        200,
        try_cut,
        1,
    ),
)
