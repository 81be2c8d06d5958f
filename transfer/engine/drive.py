"""A removable drive: its mark, finding it wherever it is mounted, and holding it for one run."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from manifests.bags.containment import NotOrdinary, open_ordinary
from manifests.bags.paths import DRIVE_MARK
from transfer.config import DriveName
from transfer.engine.limits import FileSystemLimits, limits_of
from transfer.engine.medium import Medium, PinnedFolder, Volume, drive_has_left, drive_is_full
from transfer.errors import Busy, ConfigurationError, DoesNotFit, DriveFailed, NightferryError, NotThere
from transfer.events import Listener, Skipped, nobody

MARK_NAME = DRIVE_MARK
RECEIPT_NAME = "READ ME FIRST.txt"
_MARK_AT_MOST_BYTES = 64 << 10
_LONGEST_NAME = 80
_MOST_BYTES_PER_S = 1e12
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.IGNORECASE)  # RFC 9562, section 4


@dataclass(frozen=True, slots=True)
class Mark:
    """What makes a folder a drive to send to: `id`, `name`, when it was prepared, what it measured.

    Rates are bytes per second, None where they were not measured.
    """

    id: str
    name: str
    prepared: datetime
    write_bytes_per_s: float | None = None
    read_bytes_per_s: float | None = None


def new_mark(
    name: str, now: datetime, write_bytes_per_s: float | None, read_bytes_per_s: float | None
) -> Mark:
    """Make the mark of a drive prepared now, under an id of its own."""
    import uuid  # slow to load, and a mark is made once

    return Mark(str(uuid.uuid4()), name, now, write_bytes_per_s, read_bytes_per_s)


def mark_text(mark: Mark) -> str:
    """Return the mark as the text of its file."""
    lines = [
        "# nightferry sends to this drive. It finds the drive by this file: leave it here.",
        # TOML's basic strings take every escape that JSON writes.
        f"id = {json.dumps(mark.id)}",
        f"name = {json.dumps(mark.name, ensure_ascii=False)}",
        f"prepared = {mark.prepared.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
    ]
    if mark.write_bytes_per_s:
        lines.append(f"write_bytes_per_s = {mark.write_bytes_per_s:.0f}")
    if mark.read_bytes_per_s:
        lines.append(f"read_bytes_per_s = {mark.read_bytes_per_s:.0f}")
    return "\n".join(lines) + "\n"


def read_mark(root: Path) -> Mark | None:
    """Read the mark in a folder; None where there is none, or what is there is not one.

    Raises OSError where it cannot be read: the folder may be a drive all the same.
    """
    try:
        return _read(root)[0]
    except (FileNotFoundError, NotADirectoryError):
        return None


def _read(root: Path) -> tuple[Mark | None, int]:
    """Read the mark in a folder, and ask for the device it lies on. Raises OSError."""
    try:
        with io.BufferedReader(open_ordinary(root / MARK_NAME)) as file:
            return _read_open(file)
    except NotOrdinary:  # a pipe would be waited for without end
        return None, root.stat().st_dev


def _read_open(file: BinaryIO) -> tuple[Mark | None, int]:
    content = file.read(_MARK_AT_MOST_BYTES + 1)
    mark = parse_mark(content) if len(content) <= _MARK_AT_MOST_BYTES else None
    return mark, os.fstat(file.fileno()).st_dev


def parse_mark(content: bytes) -> Mark | None:
    """Make a mark of its file's content; None where that is not a mark."""
    try:
        table = tomllib.loads(content.decode("utf-8"))
        prepared = table["prepared"]
        moment = prepared if isinstance(prepared, datetime) else datetime.fromisoformat(prepared)
        return Mark(
            id=_id(table["id"]),
            name=_name(table["name"]),
            prepared=(moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC),
            write_bytes_per_s=_rate(table.get("write_bytes_per_s")),
            read_bytes_per_s=_rate(table.get("read_bytes_per_s")),
        )
    # Anybody's stick may carry a file of this name, and TOML can be nested deeper than can be read.
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None


def _id(written: str) -> str:
    if _UUID.fullmatch(written) is None:
        raise ValueError(f"not a UUID: {written!r}")
    return written.lower()


def _name(written: str) -> str:
    if not 0 < len(written) <= _LONGEST_NAME:
        raise ValueError(f"not a name: {written!r:.100}")
    return written


def _rate(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if 0 < value < _MOST_BYTES_PER_S else None


@dataclass(frozen=True, slots=True)
class FoundDrive:
    """A prepared drive, where it is, and the device that its mark was read from (`st_dev`).

    A folder beneath the place where a drive is mounted may carry the same mark: a copy that was once made
    of the drive, or what was sent there when it was not mounted. The device tells the two apart.
    """

    root: Path
    mark: Mark
    device: int


class NoDriveHere(NotThere):
    """None of the drives that a run is for is there; `absent` are the names that the configuration has."""

    def __init__(self, happened: str, next_step: str, absent: tuple[str, ...]) -> None:
        super().__init__(happened, "", next_step)
        self.absent = absent


def drives_to_use(
    configured: Sequence[DriveName], named: Sequence[Path], medium: Medium, listen: Listener = nobody
) -> tuple[list[FoundDrive], list[str]]:
    """Find the drives that a run is for, and the names of those that are not there.

    These are the folders that a person named, else the configured drives. `listen` is told of volumes whose
    mark cannot be read as one. Raises NoDriveHere, or NotThere for a folder that a person named: one without
    a mark is never taken for a drive.
    """
    if named:
        return once(drive_at(path) for path in named), []
    found, absent = find_drives(configured, medium, listen)
    if not found:
        names = ", ".join(f"{drive.name!r}" for drive in configured) or "any name"
        others = ", ".join(f"{drive.mark.name!r} at {drive.root}" for drive in find_drives((), medium)[0])
        there = f" (there is {others})" if others else ""
        step = "Plug it in and mount it. A new one is made ready with: nightferry prepare PATH --name NAME"
        happened = f"No prepared drive of {names} is mounted on this computer{there}"
        raise NoDriveHere(happened, step, tuple(drive.name for drive in absent))
    return found, [drive.name for drive in absent]


def find_drives(
    wanted: Iterable[DriveName], medium: Medium, listen: Listener = nobody
) -> tuple[list[FoundDrive], list[DriveName]]:
    """Find the wanted drives by their marks, wherever they are mounted; return them and those not there.

    With nothing wanted by name, every prepared drive that is mounted is found. `listen` is told of volumes
    whose mark cannot be read as one.
    """
    names = list(wanted)
    mounted = _marked((volume.root for volume in medium.volumes()), listen)
    if not names:
        return mounted, []
    found: list[FoundDrive] = []
    absent: list[DriveName] = []
    for each in names:
        there = mounted if each.folder is None else _marked([each.folder], listen)
        here = [drive for drive in there if drive.mark.name == each.name]
        found += here
        if not here:
            absent.append(each)
    return once(found), absent


def _marked(roots: Iterable[Path], listen: Listener) -> list[FoundDrive]:
    return once(found for root in roots if (found := _found(root, listen)) is not None)


def _found(root: Path, listen: Listener) -> FoundDrive | None:
    try:
        mark, device = _read(root)
    except OSError:
        return None
    if mark is None:
        listen(Skipped(str(root / MARK_NAME), "is not the mark of a drive"))
        return None
    return FoundDrive(root, mark, device)


def once(drives: Iterable[FoundDrive]) -> list[FoundDrive]:
    """Leave out a drive that is mounted, or named, twice."""
    seen: dict[tuple[str, int, int], FoundDrive] = {}
    for drive in drives:
        with suppress(OSError):  # it left since its mark was read
            facts = drive.root.stat()
            seen.setdefault((drive.mark.id, facts.st_dev, facts.st_ino), drive)
    return list(seen.values())


def drive_at(path: Path) -> FoundDrive:
    """Return the drive in the folder that a person named.

    Raises NotThere where it is not there or carries no mark: the classic loss is a stick that did not
    mount, and a night that fills the system disk instead.
    """
    found = marked_at(path)
    if found is not None:
        return found
    prepare = f'If this is the drive to send to, run: nightferry prepare "{path}" --name NAME'
    if os.path.lexists(path / MARK_NAME):
        raise NotThere("This is not the mark of a drive any more", path / MARK_NAME, prepare)
    if not os.path.isdir(path):  # noqa: PTH112 - a Path's raises where a driver in user space has died
        raise NotThere("There is no such folder", path, "Is the drive plugged in and mounted?")
    raise NotThere(f"This folder is not a prepared drive (it has no {MARK_NAME})", path, prepare)


def marked_at(path: Path) -> FoundDrive | None:
    """Return the drive whose mark lies in a folder; None where none does, or what does is no mark any more.

    Raises NotThere where it cannot be read: the folder may be a drive all the same.
    """
    try:
        mark, device = _read(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise _cannot_open(path, error) from error
    return None if mark is None else FoundDrive(path.resolve(), mark, device)


class OpenDrive:
    """A drive held open for one run: its root is pinned, and all that is read or written goes through it.

    Raises NotThere where it cannot be opened.
    """

    def __init__(self, found: FoundDrive, medium: Medium) -> None:
        self.root, self.mark, self.device = found.root, found.mark, found.device
        try:
            self.folder: PinnedFolder = medium.pin(found.root)
        except OSError as error:
            raise _cannot_open(found.root, error) from error
        try:
            self.volume: Volume = medium.volume_of(found.root)
            _same_drive(self.folder, found)
        except OSError as error:
            self.close()
            raise _cannot_open(found.root, error) from error
        except NotThere:
            self.close()
            raise

    @property
    def limits(self) -> FileSystemLimits | None:
        """What its file system can hold, where that is known."""
        return limits_of(self.volume.file_system)

    @property
    def name(self) -> str:
        """The name the drive was prepared with."""
        return self.mark.name

    def close(self) -> None:
        """Close the drive."""
        self.folder.close()


@contextmanager
def alone_on(drive: OpenDrive, medium: Medium) -> Iterator[None]:
    """Keep every other run off an open drive: `only_run_on`, and the lock is on the drive that is open."""
    with only_run_on(drive.root, medium) as device:
        if device != drive.device:
            raise _has_left(drive.root)
        yield


@contextmanager
def only_run_on(root: Path, medium: Medium) -> Iterator[int]:
    """Keep every other run off a drive that this one writes to, by a lock on its mark; return its device.

    The system lets go of the lock when this run ends, however it ends. Raises Busy and NotThere.
    """
    try:
        lock = medium.lock(root / MARK_NAME)
    except OSError as error:
        raise _cannot_open(root, error) from error
    if lock is None:
        raise Busy("Another run is at work on this drive", root, "Wait for it to end, then try again.")
    try:
        yield os.fstat(lock).st_dev
    finally:
        with suppress(OSError):  # a drive that has left may complain; the lock is gone all the same
            os.close(lock)


def _cannot_open(root: Path, error: OSError) -> NotThere:
    return NotThere(f"The drive cannot be opened ({error.strerror})", root, "Plug it in again and try again.")


def _same_drive(folder: PinnedFolder, found: FoundDrive) -> None:
    """Make sure that what was pinned is what was found: a stick can leave between the two."""
    with os.fdopen(folder.open_file(MARK_NAME), "rb") as file:
        mark, device = _read_open(file)
    if mark is None or mark.id != found.mark.id or device != found.device:
        raise _has_left(found.root)


def _has_left(root: Path) -> NotThere:
    return NotThere("The drive left while it was being opened", root, "Plug it in and try again.")


_PLUG_IN = "Plug it in again and send again: what was proven is kept, the rest is carried."


def drive_left(drive: OpenDrive) -> DriveFailed:
    """Return the error of a drive that is not where it was: what stands there now is something else."""
    return DriveFailed("The drive left: it is not mounted there any more", drive.root, _PLUG_IN)


def drive_failure(error: OSError, drive: OpenDrive) -> NightferryError:
    """Return what an error of the system means for a person at the drive."""
    if drive_is_full(error):
        return DoesNotFit("The drive is full", drive.root, "Make room on it, or send to another drive.")
    if error.errno == errno.EROFS:
        step = "Is there a switch on it? Some systems also do this to a drive that was not unmounted cleanly."
        return DriveFailed("The drive is write-protected", drive.root, step)
    if error.errno in (errno.EACCES, errno.EPERM):
        step = "Is it write-protected, or another user's? Send again then, or to another drive."
        return DriveFailed(f"The drive may not be written to ({error.strerror})", drive.root, step)
    happened = "The drive left" if drive_has_left(error) else "The drive failed"
    return DriveFailed(f"{happened} ({error.strerror or error})", drive.root, _PLUG_IN)


def check_name(name: str) -> str:
    """Return a drive's name as it will be kept. Raises ConfigurationError: empty or unprintable."""
    kept = " ".join(name.split())
    if not kept or not kept.isprintable() or len(kept) > 80:
        raise ConfigurationError(f"A drive's name has 1 to 80 printable characters, not {name!r}")
    return kept
