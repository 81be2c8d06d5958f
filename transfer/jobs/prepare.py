"""The job: mark a folder as a drive to send to, measure it, and report what it cannot hold."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from manifests.findings import Finding, FindingKind
from transfer.engine.bag.durable import remove_if_there, write_durably
from transfer.engine.drive import (
    MARK_NAME,
    Mark,
    check_name,
    find_drives,
    mark_text,
    new_mark,
    only_run_on,
    read_mark,
)
from transfer.engine.limits import FileSystemLimits, limits_of
from transfer.engine.medium import Evidence, Medium, PinnedFolder, ReadBack, Volume
from transfer.engine.medium.base import BLOCK_BYTES, write_all
from transfer.errors import ConfigurationError, DriveFailed, ExitCode, NotThere

_MEASURE_BYTES = 64 << 20
_MEASURE_NAME = "nightferry-measure.part"


@dataclass(frozen=True, slots=True)
class Measured:
    """How fast a drive wrote and read a file, in bytes per second, and where the read came from."""

    write_bytes_per_s: float
    read_bytes_per_s: float
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class PrepareOutcome:
    """The result: the mark, the volume it is on, what was measured, and findings.

    `called_before` is the name that an earlier mark gave it, where that was another. `found_by_mark` is
    whether `send` finds it by its name alone: it looks at the roots of volumes, and at no network share.
    """

    root: Path
    mark: Mark
    volume: Volume
    limits: FileSystemLimits | None
    free_bytes: int
    measured: Measured | None
    findings: tuple[Finding, ...]
    called_before: str = ""
    found_by_mark: bool = True

    def as_json(self) -> dict[str, Any]:
        """Return the outcome as `--json` prints it."""
        limits = self.limits
        return {
            "command": "prepare",
            "exit": int(ExitCode.PROVEN),
            "message": f"{self.mark.name!r} is ready to be sent to",
            "path": str(self.root),
            "id": self.mark.id,
            "name": self.mark.name,
            "called_before": self.called_before,
            "found_by_mark": self.found_by_mark,
            "file_system": self.volume.file_system,
            "free_bytes": self.free_bytes,
            "largest_file_bytes": None if limits is None else limits.largest_file_bytes,
            "write_bytes_per_s": self.mark.write_bytes_per_s,
            "read_bytes_per_s": self.mark.read_bytes_per_s,
            "read_back": None if self.measured is None else self.measured.evidence.read_back.value,
            "read_back_how": None if self.measured is None else self.measured.evidence.method,
            "findings": [finding.as_json() for finding in self.findings],
        }


def prepare(
    path: Path, name: str | None, medium: Medium, now: datetime, named: Sequence[str] = ()
) -> PrepareOutcome:
    """Mark a folder as a drive to send to. One that has a mark keeps its id, and its name if none is given.

    A new drive without a name gets the one in `named`, the names that the configuration has, if it is one.

    Raises NotThere, ConfigurationError, Busy and DriveFailed; nothing but the mark is left on the drive.
    """
    if not os.path.isdir(path):  # noqa: PTH112 - a Path's raises where a driver in user space has died
        raise NotThere("There is no such folder", path, "Is the drive plugged in and mounted?")
    root = path.resolve()
    if root == medium.system_volume().root:
        step = (
            "Name the folder or the letter at which the drive is, once it is mounted. To send to this disk "
            "all the same, make a folder on it and prepare that."
        )
        raise ConfigurationError("This is the system's own disk, which no night may fill", root, step)
    try:
        old = read_mark(root)
    except OSError as error:
        step = "Plug it in again, and see that this user may read it."
        raise DriveFailed(f"The drive's mark cannot be read ({error.strerror})", root, step) from error
    mark = _mark(old, name, named, root, now)
    try:
        # The lock is on the mark's file, which Windows does not replace while it is locked.
        with nullcontext() if old is None else only_run_on(root, medium):
            measured = _measured(root, medium)
        outcome = _marked(root, mark, measured, medium)
        renamed = old is not None and old.name != mark.name
        return replace(outcome, called_before=old.name) if old is not None and renamed else outcome
    except OSError as error:
        step = "Is it write-protected, full, or owned by another user?"
        raise DriveFailed(f"The drive cannot be written to ({error.strerror})", root, step) from error


def _mark(old: Mark | None, name: str | None, named: Sequence[str], root: Path, now: datetime) -> Mark:
    if name is not None:
        kept = check_name(name)
    elif old is not None:
        kept = old.name
    elif len(named) == 1:
        kept = check_name(named[0])
    else:
        step = f'Give it one: nightferry prepare "{root}" --name "Field stick"'
        raise ConfigurationError("A new drive needs a name", root, step)
    fresh = new_mark(kept, now, None, None)
    return fresh if old is None else Mark(old.id, kept, fresh.prepared)


def _measured(root: Path, medium: Medium) -> Measured | None:
    folder = medium.pin(root)
    try:
        return _measure(folder)
    finally:
        folder.close()


def _marked(root: Path, mark: Mark, measured: Measured | None, medium: Medium) -> PrepareOutcome:
    """Write the mark, with what was measured, and return the result."""
    if measured is not None:
        mark = replace(
            mark,
            write_bytes_per_s=measured.write_bytes_per_s,
            read_bytes_per_s=measured.read_bytes_per_s,
        )
    folder = medium.pin(root)
    try:
        write_durably(folder, MARK_NAME, mark_text(mark).encode("utf-8"))
        volume = medium.volume_of(root)
        findings = (*_findings(root, volume, medium), *_namesakes(root, mark, medium))
        limits = limits_of(volume.file_system)
        found = any(each.root == root for each in medium.volumes())
        free_bytes = folder.free_bytes()
        return PrepareOutcome(root, mark, volume, limits, free_bytes, measured, findings, found_by_mark=found)
    finally:
        folder.close()


def _measure(folder: PinnedFolder) -> Measured | None:
    """Measure how long a file takes to the medium and back; None where there is no room for it."""
    if folder.free_bytes() < 2 * _MEASURE_BYTES:
        return None
    remove_if_there(folder, _MEASURE_NAME)
    try:
        began = time.monotonic()
        _write(folder)
        written = time.monotonic()
        evidence = _read(folder)
        return Measured(
            _MEASURE_BYTES / (written - began), _MEASURE_BYTES / (time.monotonic() - written), evidence
        )
    finally:
        remove_if_there(folder, _MEASURE_NAME)


def _write(folder: PinnedFolder) -> None:
    descriptor = folder.create_file(_MEASURE_NAME)
    try:
        # Random bytes: a controller that compresses would measure too fast.
        block = os.urandom(BLOCK_BYTES)
        for _ in range(_MEASURE_BYTES // BLOCK_BYTES):
            write_all(descriptor, block)
        folder.flush_files([descriptor])
    finally:
        os.close(descriptor)


def _read(folder: PinnedFolder) -> Evidence:
    folder.chill()
    with folder.cold([_MEASURE_NAME]) as group:
        size = sum(len(block) for block in group.blocks(_MEASURE_NAME))
        if size != _MEASURE_BYTES:
            raise DriveFailed(
                "The drive gave back less than was written", folder.path, "Don't use this drive."
            )
        return group.evidence()


def _findings(root: Path, volume: Volume, medium: Medium) -> list[Finding]:
    if medium.system_volume().root != volume.root:
        return []
    detail = "if it is meant to be a removable drive, that drive is not mounted here"
    return [Finding(FindingKind.SYSTEM_DISK, detail, str(root))]


def _namesakes(root: Path, mark: Mark, medium: Medium) -> list[Finding]:
    """Return a finding for each connected drive of the same name: a configuration means both by it."""
    return [
        Finding(
            FindingKind.SAME_NAME, f"{other.root}; send goes to both, so give one another name", str(root)
        )
        for other in find_drives((), medium)[0]
        if other.mark.name == mark.name and other.mark.id != mark.id
    ]


def from_memory(outcome: PrepareOutcome) -> bool:
    """Return whether a read-back from this drive can only be compared, not proven."""
    return outcome.measured is not None and outcome.measured.evidence.read_back is not ReadBack.MEDIUM
