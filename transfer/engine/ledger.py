"""The ledger of what is let go: a line for each file, flushed before the file goes; only added to."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from transfer.engine.medium import Medium, PinnedFolder, drive_is_full
from transfer.engine.medium.base import write_all
from transfer.errors import Busy, DoesNotFit, DriveFailed, NightferryError

NAME = "cleared.jsonl"


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """An archive, a drive or a source that has a content, by its id; `name` is for people, and may change."""

    kind: str
    id: str
    name: str = field(compare=False)

    @property
    def told(self) -> str:
        """The place in words."""
        return f"{self.kind} {self.name!r}"


class LetGo(NamedTuple):
    """A file that is about to be removed from a source or a drive: its content, and the places that have it.

    `beginning_of_bytes` is the size of what the places have, where the file is only the beginning of that.
    """

    removed_from: Place
    path: str
    size_bytes: int
    sha256: str
    places: tuple[Place, ...]
    beginning_of_bytes: int | None = None


class Ledger:
    """The open ledger of one run; no other run has it at the same time."""

    def __init__(self, folder: PinnedFolder, descriptor: int) -> None:
        self._folder = folder
        self._descriptor = descriptor

    def write(self, going: Iterable[LetGo], now: datetime) -> None:
        """Write what is about to be removed, flush it and read it again. Raises DriveFailed or DoesNotFit."""
        content = b"".join(_line(each, now) for each in going)
        try:
            write_all(self._descriptor, content)
            self._folder.flush_file(self._descriptor)
            self._require_end(content)
        except OSError as error:
            raise _failed(error, self._folder.path) from error

    def _require_end(self, content: bytes) -> None:
        """Check that the file ends with what was written: a system may lose a write and say nothing."""
        with os.fdopen(self._folder.open_file(NAME), "rb") as file:
            file.seek(max(file.seek(0, os.SEEK_END) - len(content), 0))
            if file.read() != content:
                raise OSError(errno.EIO, "what was written is not there")


@contextmanager
def open_ledger(records: Path, medium: Medium) -> Iterator[Ledger]:
    """Open the ledger in the folder of records. Raises Busy, DriveFailed and DoesNotFit."""
    try:
        records.mkdir(parents=True, exist_ok=True)
        (records / NAME).touch()
        lock = medium.lock(records / NAME)
    except OSError as error:
        raise _failed(error, records) from error
    if lock is None:
        raise Busy("Another run is removing files", records / NAME, "Wait for it to end, then try again.")
    try:
        folder = _pinned(records, medium)
        try:
            descriptor = _begun(folder, records)
            try:
                yield Ledger(folder, descriptor)
            finally:
                with suppress(OSError):  # each line was flushed before its file went
                    os.close(descriptor)
        finally:
            folder.close()
    finally:
        with suppress(OSError):
            os.close(lock)


def _pinned(records: Path, medium: Medium) -> PinnedFolder:
    try:
        return medium.pin(records)
    except OSError as error:
        raise _failed(error, records) from error


def _begun(folder: PinnedFolder, records: Path) -> int:
    """Open the file at its end; a last line that a dead run cut off is ended first."""
    try:
        with os.fdopen(folder.open_file(NAME), "rb") as file:
            size_bytes = file.seek(0, os.SEEK_END)
            file.seek(max(size_bytes - 1, 0))
            is_cut_off = file.read() not in (b"", b"\n")
        descriptor = folder.extend_file(NAME)
        if is_cut_off:
            write_all(descriptor, b"\n")
        folder.flush_files([descriptor])
        folder.flush_folders([""])
    except OSError as error:
        raise _failed(error, records) from error
    return descriptor


def _line(going: LetGo, now: datetime) -> bytes:
    line = {
        "utc": now.astimezone(UTC).isoformat(timespec="milliseconds"),
        going.removed_from.kind: going.removed_from.name,
        "path": going.path,
        "size_bytes": going.size_bytes,
        "sha256": going.sha256,
        "beginning_of_bytes": going.beginning_of_bytes,
        "in": [asdict(place) for place in going.places],
    }
    facts = {name: value for name, value in line.items() if value is not None}
    return json.dumps(facts, separators=(",", ":")).encode("ascii") + b"\n"


def _failed(error: OSError, records: Path) -> NightferryError:
    happened = f"The ledger cannot be written ({error.strerror or error}), and nothing goes without it"
    step = "Make room, or let this user write there; then try again."
    kind = DoesNotFit if drive_is_full(error) else DriveFailed
    return kind(happened, records / NAME, step)
