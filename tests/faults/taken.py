"""Runs whose every write is recorded, and what they claim of it: power cuts are made in these."""

from __future__ import annotations

import atexit
import math
import os
import random
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path

from tests.faults.archive_jobs import FileFirst, FileMore
from tests.faults.archive_judge import words_on
from tests.faults.claims import (
    ArchiveClaims,
    Claims,
    ClearClaims,
    ClearDriveClaims,
    DriveClaims,
    Files,
    FileTwoClaims,
    Found,
    HealClaims,
    MarkClaims,
    Proven,
    Wrong,
    files_on,
    proven,
)
from tests.faults.clear_jobs import LEDGER, Clear, ClearDrive
from tests.faults.jobs import CheckGood, Job, SendFirst, SendMore, SendNothing
from tests.faults.judge import receipt_on, require_ended
from tests.faults.lost import look
from tests.faults.mark_jobs import MarkAgain
from tests.faults.scene import Scene, noise, prepare, room
from tests.faults.several_archives import FileTwo, Heal
from tests.faults.trials import NotMade, Trial, unmount
from tests.support.recorder import Recorder, Recording, recorder
from tests.support.volumes import Volume, volume_in

JOBS: tuple[type[Job], ...] = (SendFirst, SendMore, FileFirst, FileMore, SendNothing, CheckGood)
_CUTS_OF_ONE = 100  # then the run is recorded anew
_SIZE_MB = 20
_ARCHIVE_SIZE_MB = 40
_CLOCK_TICK_NS = 10_000_000  # a file's time is that of the clock's last tick
_LEFT_ALONE_S = 1.0  # between the run's end and the unmounting
_REPAIR = {"exfat": ("fsck.exfat", "-y"), "ntfs": ("ntfsfix",), "ext4": ("e2fsck", "-fy")}
_DAYS_NS = 3 * 86_400 * 1_000_000_000
_MEMORY = Path("/dev/shm")


@dataclass(frozen=True)
class Taken:
    """A run that was recorded: when it began, ended, and left the drive to be unmounted; what it claimed.

    `claimed` is the moment from which its own claim stands: its end, or when `file` gave its word.
    """

    root: Path
    kind: str
    job: Job
    recording: Recording
    begun: int
    ended: int
    left: int
    claimed: int
    claims: Claims

    @property
    def scene(self) -> Scene:
        """Where it ran."""
        return self.job.scene

    @property
    def place(self) -> Path:
        """Where the recorded volume is mounted."""
        return self.root / self.job.writes_to

    @cached_property
    def _first(self) -> tuple[int, bytearray]:
        moment = self.recording.flushed_before(self.begun)
        return moment, self.recording.image(moment)

    def at(self, moment: int) -> bytearray:
        """Return the device as it is with everything up to a moment on it."""
        start, image = self._first
        return self.recording.later(image, start, moment)

    @contextmanager
    def mounted(self, image: bytearray, *, repaired: bool = False) -> Iterator[Volume]:
        """Mount what is left of the drive where it was; `repaired` by the file system's own tool before."""
        with tempfile.NamedTemporaryFile(dir=_MEMORY if _MEMORY.is_dir() else self.root) as file:
            file.write(image)
            file.flush()
            if repaired:
                subprocess.run([*_REPAIR[self.kind], file.name], capture_output=True, check=False)
            with volume_in(self.kind, Path(file.name), self.place, new=False) as drive:
                yield drive

    def look_at(self, image: bytearray, *, final: bool, repaired: bool = False) -> Found:
        """Mount an image and hold it against the claims."""
        with ExitStack() as held:
            try:
                drive = held.enter_context(self.mounted(image, repaired=repaired))
            except RuntimeError as error:
                told = f"cannot be mounted: {error}"
                lost = (Wrong(path, sha256, told) for path, sha256 in self.claims.before.same.items())
                return Found({}, tuple(lost))
            found = look(drive.path, self.claims, final=final)
            unmount(drive)
            return found


def taken(trial: Trial, kinds: tuple[type[Job], ...] = JOBS) -> Taken:
    """Return the recording that a trial's cut is made in: of a job of these kinds."""
    jobs = [job for job in kinds if trial.job in ("", job.name)]
    if not jobs:
        raise NotMade
    job = trial.dice_for("job").choice(jobs)
    return _take(trial.on, job, trial.number // _CUTS_OF_ONE, trial.without)


@cache
def _take(on: str, kind: type[Job], block: int, without: str) -> Taken:
    """Record a run; a night that is proven before it lies on a drive, too."""
    held = ExitStack()
    atexit.register(held.close)
    root = held.enter_context(room())
    for name in {"drive", kind.writes_to}:
        (root / name).mkdir()
    files = issubclass(kind, FileFirst | FileTwo)
    size_mb = _ARCHIVE_SIZE_MB if files else _SIZE_MB
    with recorder(root / "recorded", on, root / kind.writes_to, size_mb) as recorded:
        scene = Scene(root, prepare(root / "drive"), random.Random(f"{on}|{kind.name}|{block}"), without)
        if not issubclass(kind, FileFirst | FileTwo | Clear | ClearDrive):
            _send_a_night_before(scene)
        job = kind(scene)
        job.make_ready()
        return _record(root, recorded, job)


def _send_a_night_before(scene: Scene) -> None:
    for number in range(3):
        name = f"M 51/L/early_{number:03}.fits"
        scene.computer.frame(name, begun="2026-03-10T22:00:00", data=noise(60_000, 40 + number))
    ran = scene.send()
    require_ended(ran, "the night before", 0)


def _record(root: Path, recorded: Recorder, job: Job) -> Taken:
    """Record the job; nothing is read of the drive before it or beside it: a driver may write when it was."""
    _let_days_pass(root / job.writes_to)
    unmount(recorded.drive)
    recorded.drive.mount_again()
    job.look_again()
    _keep_state(job, root / "before")
    begun = recorded.position()
    ran = job.scene.run(*job.words())
    ended = recorded.position()
    require_ended(ran, "without a fault it", 0)
    _keep_state(job, root / "after")
    _have_the_system_write(recorded.drive)
    left = recorded.position()
    unmount(recorded.drive)
    recording, (begun, ended, left) = recorded.read(begun, ended, left)
    claimed = max(begun, min(ended, recording.moment_at(_word_given_ns(job))))
    nothing = DriveClaims(proven({}, {}), job.scene.known, None, None)
    run = Taken(root, recorded.drive.kind, job, recording, begun, ended, left, claimed, nothing)
    (before, receipt_before), (after, receipt_after) = (
        _lies_on(run, moment) for moment in (begun, len(recording.acts))
    )
    return replace(run, claims=_claims(run, before, after, (receipt_before, receipt_after)))


def _let_days_pass(drive: Path) -> None:
    """Set every access time days back: the first read in a day changes the access time."""
    for path in drive.rglob("*"):
        facts = path.stat()
        os.utime(path, ns=(facts.st_atime_ns - _DAYS_NS, facts.st_mtime_ns))


def _lies_on(run: Taken, moment: int) -> tuple[Files, bytes | None]:
    """Return the files and the receipt as they lie there at a moment at which all is on the medium."""
    with run.mounted(run.recording.image(moment)) as drive:
        found = files_on(drive.path), receipt_on(drive.path)
        unmount(drive)
        return found


def _word_given_ns(job: Job) -> float:
    """Say when `file` gave its word on the drive that it filed; what gives none claims at its end."""
    if not isinstance(job, FileFirst) or isinstance(job, MarkAgain):
        return math.inf
    return max(path.stat().st_ctime_ns for path in words_on(job.stick)) + _CLOCK_TICK_NS


def _state(job: Job) -> dict[str, Path]:
    """Name the folders beside the recorded drive that the job's program reads and writes."""
    if isinstance(job, FileFirst | FileTwo):
        attic = {"attic": job.desk.attic} if isinstance(job, FileTwo) else {}
        return {"records": job.desk.root / "records", "stick": job.stick, **attic}
    if isinstance(job, Clear):  # all that it writes is on the recorded volume
        return {}
    return {"records": job.scene.computer.records}


def _keep_state(job: Job, to: Path) -> None:
    for name, folder in _state(job).items():
        if folder.is_dir():
            shutil.copytree(folder, to / name)


def put_back_state(job: Job, kept: Path) -> None:
    for name, folder in _state(job).items():
        shutil.rmtree(folder, ignore_errors=True)
        if (kept / name).is_dir():
            shutil.copytree(kept / name, folder)


def _have_the_system_write(drive: Volume) -> None:
    """Write what a driver left in the device's cache, as the system does after a while; no flush."""
    assert drive.device is not None
    descriptor = os.open(drive.device, os.O_RDONLY)
    try:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        time.sleep(_LEFT_ALONE_S)
    finally:
        os.close(descriptor)


def _claims(run: Taken, before: Files, after: Files, receipts: tuple[bytes | None, bytes | None]) -> Claims:
    job, known = run.job, run.scene.known
    if isinstance(job, Clear):
        goes = {f"computer/{path}": job.contents[path] for path in job.goes}
        sources = {path: sha256 for path, sha256 in before.items() if path.startswith("computer/")}
        stays = {path: sha256 for path, sha256 in sources.items() if path not in goes}
        return ClearClaims(Proven(stays, {}), known.ever, goes, after[f"records/{LEDGER}"])
    if isinstance(job, ClearDrive):
        return ClearDriveClaims(Proven(job.stays, {}), known.ever, job.goes)
    earlier = proven(before, after)
    if isinstance(job, MarkAgain):
        said = (before.get(job.statements, ""), after[job.statements])
        return MarkClaims(earlier, known.ever, job.statements, said)
    if isinstance(job, Heal):
        return HealClaims(earlier, known.ever, run.root / "after/stick", job.harm, job.gone)
    if isinstance(job, FileTwo):
        return FileTwoClaims(earlier, known.ever, run.root / "after/stick")
    if isinstance(job, FileFirst):
        return ArchiveClaims(earlier, known.ever, run.root / "before/stick", run.root / "after/stick")
    return DriveClaims(earlier, known, *receipts)
