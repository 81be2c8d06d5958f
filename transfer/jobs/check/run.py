"""The job: prove bags again. It writes in archives alone: what was read, and when."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from manifests.bags.paths import TAG_MANIFEST
from manifests.findings import Finding
from transfer.archive.held import archive_failure, read_archive_mark
from transfer.archive.rereading import (
    Due,
    Readings,
    archive_around,
    bring_index_up_to_date,
    due,
    keep_readings,
)
from transfer.engine.bag.cold_reading import ColdReader
from transfer.engine.drive import read_mark
from transfer.engine.medium import Medium
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError
from transfer.jobs.check.checking import Reader, check, check_due
from transfer.jobs.check.outcome import CheckedBag, CheckOutcome


def remember_checked(outcome: CheckOutcome, records: Records) -> None:
    """Keep in the records which nights on prepared drives were read again and hold, and what else does not.

    A night that holds may leave its drive by hand without being asked for again; what was found changed is
    carried again, and counts for nothing. Never raises.
    """
    for bag in outcome.bags:
        with contextlib.suppress(OSError, ValueError):
            _remember(bag, records)


def _remember(bag: CheckedBag, records: Records) -> None:
    verified, folder = bag.verification, bag.verification.path
    night, mark = date.fromisoformat(folder.name), read_mark(folder.parent)
    if mark is None or verified.quick or bag.drive_left:
        return
    records.keep_damaged(mark.id, night, [finding.path for finding in verified.changed])
    if verified.holds and bag.from_medium:
        text = (folder / TAG_MANIFEST).read_bytes().decode("utf-8", "backslashreplace")
        records.keep_checked(mark.id, night, text)
        records.forget_damaged(mark.id, night)


class Asked(NamedTuple):
    """How to check: with `older_than_s`, only files of archives last proven longer ago; within `time_s`."""

    quick: bool = False
    older_than_s: float | None = None
    time_s: float | None = None


def checked(paths: Sequence[Path], asked: Asked, around: Surroundings) -> CheckOutcome:
    """Check paths here; what was read of archives is kept in their bags. Raises NightferryError."""
    medium, stop = around.medium, around.stop
    began_s, changed = time.monotonic(), dict[Path, None]()

    def has_time() -> bool:
        return asked.time_s is None or time.monotonic() - began_s < asked.time_s

    def keep(bag: Path, readings: Readings) -> tuple[Finding, ...]:
        root = archive_around(bag)
        if root is None:
            return ()
        changed[root] = None
        not_kept = keep_readings(root, bag.relative_to(root).as_posix(), readings, around)
        return () if not_kept is None else (not_kept,)

    def reader(folder: Path) -> Reader:
        return ColdReader(medium, folder)

    if asked.older_than_s is None:
        outcome = check(
            paths,
            quick=asked.quick,
            reader=reader,
            listen=around.listen,
            go_on=lambda: not stop.why and has_time(),
            keep=keep,
        )
    else:
        outcome = check_due(
            _due_in(paths, around.clock() - timedelta(seconds=asked.older_than_s), medium),
            reader=reader,
            listen=around.listen,
            go_on=lambda: not stop.why,
            has_time=has_time,
            keep=keep,
        )
    bring_index_up_to_date(changed, around)
    return outcome


def _due_in(paths: Sequence[Path], before: datetime, medium: Medium) -> dict[Path, Due]:
    """Return what is due in each archive. Raises NotThere and ConfigurationError."""
    found: dict[Path, Due] = {}
    for path in paths:
        if read_archive_mark(path) is None:
            step = "When each file was last proven is kept in archives alone: leave out --older-than."
            raise ConfigurationError("This is no archive", path, step)
        try:
            with closing(medium.pin(path)) as archive:
                found[path] = due(archive, before)
        except OSError as error:
            raise archive_failure(error, path) from error
    return found
